"""The shelf of a virtual bench from a TOML file: the parts and what is really so about them."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from pathlib import Path
from random import Random
from typing import Annotated

from pydantic import Field, ValidationError

from drivers.errors import DriverError
from drivers.virtual.truth import LeakTruth, PartTruth, Strict

DEMO = Path(__file__).with_name("demo_truths.toml")
FIRST_NUMBER = 8001
LEAK_SPREAD = 0.3
PLATE = (  # what a part's plate and its owner say; everything else is the truth and stays here
    "family",
    "model",
    "protective_class",
    "rated_v",
    "rated_w",
    "rated_a",
    "low_a",
    "speeds",
    "rated_trip_ma",
    "lead_ohm",
    "complaint",
)


class Sound(Strict):
    """A batch of sound parts: ``count`` of ``part`` with scattered leaks."""

    count: Annotated[int, Field(ge=1, le=1000)]
    part: PartTruth


class Scenario(Strict):
    """A whole file. Batches are keyed by the serial numbers' prefix."""

    parts: Mapping[str, PartTruth] = Field(default_factory=dict)
    healthy: Mapping[str, Sound] = Field(default_factory=dict)

    def shelf(self) -> dict[str, PartTruth]:
        """All parts by serial number; the same file always gives the same parts."""
        shelf = dict(self.parts)
        for prefix, batch in self.healthy.items():
            rng = Random(prefix)
            for number in range(FIRST_NUMBER, FIRST_NUMBER + batch.count):
                shelf[f"{prefix}-{number}"] = _scattered(batch.part, rng)
        return shelf


def _scattered(part: PartTruth, rng: Random) -> PartTruth:
    factor = 1.0 + rng.uniform(-LEAK_SPREAD, LEAK_SPREAD)
    return part.model_copy(update={"leaks": tuple(_scaled(leak, factor) for leak in part.leaks)})


def _scaled(leak: LeakTruth, factor: float) -> LeakTruth:
    names = ("resistive_ma", "capacitive_ma", "to_ma")
    return leak.model_copy(update={name: getattr(leak, name) * factor for name in names})


def load(path: Path = DEMO) -> dict[str, PartTruth]:
    """The shelf of a scenario file. Raises DriverError naming file, key and what is wrong."""
    try:
        raw = tomllib.loads(path.read_text(encoding="utf-8"))
        return Scenario.model_validate(raw).shelf()
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as exc:
        raise DriverError(str(path), f"can't be read as a scenario: {exc}") from exc
    except ValidationError as exc:
        first = exc.errors()[0]
        key = ".".join(str(step) for step in first["loc"])
        raise DriverError(
            str(path), f"{key}: {first['msg']}", f"{exc.error_count()} in all"
        ) from exc


def plate(truth: PartTruth) -> dict[str, object]:
    """What may be known of a part without testing it."""
    return {name: getattr(truth, name) for name in PLATE if getattr(truth, name) is not None}
