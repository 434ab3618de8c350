"""What is really so about a part: its plate, its leaks, its faults. Only the plant may know it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, model_validator

Family = Literal[
    "heater",
    "pump",
    "circulation_pump",
    "blower",
    "ozone_corona",
    "ozone_uv",
    "converter",
    "transformer",
    "light",
    "gfci",
]
LawName = Literal[
    "steady", "wet", "bake", "hot", "breakdown", "seal", "blow_dry", "erratic", "step"
]
Milliampere = Annotated[float, Field(ge=0.0, le=200.0)]
Seconds = Annotated[float, Field(gt=0.0, le=10_000.0)]


class Strict(BaseModel):
    model_config = ConfigDict(strict=True, frozen=True, extra="forbid", allow_inf_nan=False)


class LeakTruth(Strict):
    """One leak from the winding or element to the chassis.

    Currents are what 120 V, 60 Hz on both terminals would drive, in mA. ``at`` is the position
    from terminal A (0) to B (1); ``spread`` distributes it evenly along the element.
    ``law`` says how the resistive part changes; ``to_ma`` is where it goes.
    """

    at: Annotated[float, Field(ge=0.0, le=1.0)] = 0.0
    spread: bool = False
    resistive_ma: Milliampere = 0.0
    capacitive_ma: Milliampere = 0.0
    law: LawName = "steady"
    to_ma: Milliampere = 0.0
    low_ma: Milliampere = 0.0  # seal: at low speed
    soak_ma: Milliampere = 0.0  # bake: after soaking again
    humid_ma: Milliampere = 0.0  # blow_dry: in humid air
    tau_s: Seconds = 100.0
    after_s: Seconds = 660.0  # breakdown: time at rated power before it starts
    rise_s: Seconds = 60.0
    jump: Annotated[float, Field(ge=0.0, le=0.9)] = 0.0  # erratic: relative size


class PartTruth(Strict):
    """One part. The first block is its plate, the rest is hidden from whoever tests it."""

    family: Family
    model: str = ""
    protective_class: Literal["I", "II"] = "I"
    rated_v: Annotated[float, Field(gt=0.0, le=300.0)] = 120.0
    rated_w: Annotated[float, Field(gt=0.0, le=20_000.0)] | None = None
    rated_a: Annotated[float, Field(gt=0.0, le=100.0)] | None = None
    low_a: Annotated[float, Field(gt=0.0, le=100.0)] | None = None
    speeds: Annotated[int, Field(ge=1, le=2)] = 1
    rated_trip_ma: Annotated[float, Field(gt=0.0, le=100.0)] | None = None
    lead_ohm: Annotated[float, Field(ge=0.0, le=1.0)] = 0.0
    complaint: str = ""

    bond_ohm: Annotated[float, Field(ge=0.0)] = 0.03  # chassis or electrode to the earth stud
    grounded: bool = True  # false: plastic shell without electrode or foil
    leaks: tuple[LeakTruth, ...] = Field(default=(), strict=False)
    winding_ohm: Annotated[float, Field(gt=0.0)] | None = (
        None  # DC, A to B; heaters: from the plate
    )
    power_factor: Annotated[float, Field(gt=0.0, le=1.0)] = 1.0
    dead_load: bool = False  # draws nothing
    stuck_a: Annotated[float, Field(gt=0.0, le=200.0)] | None = None  # never runs up
    stored_v: Annotated[float, Field(ge=0.0, le=400.0)] = 0.0  # charge left at switch-off
    dc_ma: Annotated[float, Field(ge=-30.0, le=30.0)] = 0.0  # half-wave part at 120 V
    harmonic: Annotated[float, Field(ge=0.0, le=1.0)] = 0.0  # of the leakage, relative
    arc_ma: Annotated[float, Field(ge=0.0, le=30.0)] = 0.0  # peak of bursts near the crests
    passes: bool = False  # a sound bench proves it within its limits; everything else must not pass
    secondary_mohm: Annotated[float, Field(gt=0.0)] = 1000.0
    trip_ma: Annotated[float, Field(gt=0.0)] | None = None  # GFCI: where it really trips
    eyes: Mapping[str, str] = Field(default_factory=dict)

    @model_validator(mode="after")
    def _inner_leaks_need_a_path(self) -> PartTruth:
        inner = [leak for leak in self.leaks if leak.spread or leak.at not in (0.0, 1.0)]
        if inner and (self.dead_load or not (self.rated_w or self.rated_a)):
            raise ValueError("a leak inside the element needs a load that carries current")
        return self
