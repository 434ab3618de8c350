"""The population of a capability study: read from a file, checked, known by its digest.

``DIGEST`` was written down before the first study was run. A population that is changed until the
figures please proves nothing: a study names the digest of what it drew from.
"""

from __future__ import annotations

import hashlib
import tomllib
from pathlib import Path
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from rig.errors import RigError

PLACE = Path(__file__).with_name("study_population.toml")
DIGEST = "c4d33413b4fd671f70002bc79e086193b8c730b3f180270b084f5d85bca8aa72"
LARGEST = 100_000  # bytes of a population file
NEARLY = 1e-6  # shares are written in decimals

Law = Literal[
    "steady",
    "wet",
    "bake",
    "hot",
    "breakdown",
    "seal",
    "blow_dry",
    "erratic",
    "half_wave",
    "bursts",
]
Share = Annotated[float, Field(ge=0.0, le=1.0)]
Positive = Annotated[float, Field(gt=0.0, le=1e6)]
Bounds = Annotated[tuple[Positive, Positive], Field(strict=False)]
Statement = Annotated[tuple[Positive, Positive], Field(strict=False)]  # percent of reading, floor


class Strict(BaseModel):
    model_config = ConfigDict(strict=True, frozen=True, extra="forbid", allow_inf_nan=False)

    @model_validator(mode="after")
    def _in_order(self) -> Strict:
        for name in type(self).model_fields:
            value = getattr(self, name)
            pair = isinstance(value, tuple) and len(value) == 2 and name not in STATEMENTS
            if pair and isinstance(value[0], float) and value[0] > value[1]:
                raise ValueError(f"{name}: {value[0]:g} is more than {value[1]:g}")
        return self


STATEMENTS = frozenset({"leakage", "second", "plain"})


class Truth(Strict):
    """How many parts are faulty, and how much they leak in the worst service, mA."""

    faulty: Share
    faulty_ma: Bounds
    sound_ma: Bounds


class Service(Strict):
    """Factors by which service is worse than the worst that a bench exercises."""

    supply: Bounds
    harsher: Share
    harsher_by: Bounds


class Mains(Strict):
    """Volts over nominal, and the breaker technique's own threshold, mA."""

    volts: Bounds
    threshold_ma: Bounds


class Water(Strict):
    """Conductivities, mS/cm."""

    bench_ms_cm: Bounds
    tap_ms_cm: Bounds
    service_ms_cm: Positive


class Instruments(Strict):
    """Statements of accuracy, what scatters within them, and noise, mA."""

    leakage: Statement
    second: Statement
    supply_percent: Positive
    plain: Statement
    correlation: Share
    drift_percent: Positive
    noise_ma: Positive
    noise_ar1: Annotated[float, Field(ge=0.0, lt=1.0)]


class Sensors(Strict):
    """Share of runs with a failed sensor, and what is left of its reading."""

    fault: Share
    gain: Bounds


class FaultClass(Strict):
    """A kind of fault of one family. ``cold``: share of the truth that shows before it is worst."""

    name: str
    share: Share
    law: Law
    cold: Bounds | None = None
    after_s: Bounds | None = None
    rate_per_h: Bounds | None = None
    jump: Share = 0.0

    @model_validator(mode="after")
    def _has_what_its_law_takes(self) -> FaultClass:
        takes = {"hot": "cold", "seal": "cold", "blow_dry": "cold", "breakdown": "after_s"}
        takes["bursts"] = "rate_per_h"
        wanted = takes.get(self.law)
        if wanted and getattr(self, wanted) is None:
            raise ValueError(f"law {self.law} needs {wanted}")
        return self


class FamilyOf(Strict):
    """A family: its share of all parts, its capacitive leakage when sound, mA, its kinds of faults."""

    name: str
    share: Share
    capacitive_ma: Bounds
    fault: Annotated[tuple[FaultClass, ...], Field(strict=False, min_length=1)]


class Population(Strict):
    """Everything that a study draws from."""

    name: str
    truth: Truth
    service: Service
    supply: Mains
    water: Water
    instruments: Instruments
    sensors: Sensors
    family: Annotated[tuple[FamilyOf, ...], Field(strict=False, min_length=1)]

    @model_validator(mode="after")
    def _shares_are_whole(self) -> Population:
        sums = {"families": sum(one.share for one in self.family)}
        sums |= {one.name: sum(kind.share for kind in one.fault) for one in self.family}
        for what, whole in sums.items():
            if abs(whole - 1.0) > NEARLY:
                raise ValueError(f"the shares of {what} sum to {whole:g}, not to 1")
        return self


def load(path: Path | None = None) -> tuple[Population, str]:
    """The population in ``path`` (else the project's own), and the SHA-256 of its bytes.

    Raises RigError: can't be read, no TOML, or a value that can't be, each on a line of its own.
    """
    place = path or PLACE
    try:
        with place.open("rb") as file:
            raw = file.read(LARGEST + 1)
    except OSError as exc:
        raise RigError(str(place), f"can't be read: {exc.strerror}") from exc
    if len(raw) > LARGEST:
        raise RigError(str(place), f"more than {LARGEST} bytes", "this is no population file")
    try:
        found = Population.model_validate(tomllib.loads(raw.decode()))
    except (UnicodeDecodeError, tomllib.TOMLDecodeError) as exc:
        raise RigError(str(place), f"is no TOML: {exc}") from exc
    except ValidationError as exc:
        raise RigError(str(place), _words(exc), "compare with the project's own") from exc
    return found, hashlib.sha256(raw).hexdigest()


def _words(exc: ValidationError) -> str:
    """Each problem: where, and what is wrong."""
    return "; ".join(
        f"{'.'.join(map(str, one['loc'])) or 'file'}: {one['msg']}" for one in exc.errors()
    )
