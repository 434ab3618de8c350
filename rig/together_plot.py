"""The vectors of parts that run together, as a picture. matplotlib is an extra, imported here only."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rig.plots import drawing, save

if TYPE_CHECKING:
    from procedures.together import Together
    from procedures.trip import Device
    from rig.loads import Measured

LABEL = {"boxstyle": "round,pad=0.15", "facecolor": "white", "edgecolor": "0.6", "lw": 0.6}


def draw(found: Sequence[Measured], sums: Sequence[Together], device: Device, path: Path) -> Path:
    """Write the picture and return where. Raises RigError without matplotlib, for another format, or
    when the file can't be written."""
    simulated = "SIMULATED · " if any(one.simulated for one in found) else ""
    with drawing((6.5, 5.7), f"{simulated}worst set that can run at once") as figure:
        axes = figure.subplots()
        _rings(axes, device)
        _arrows(axes, found, sums[0])
        _frame(axes, device)
        save(figure, path)
    return path


def _rings(axes: Any, device: Device) -> None:
    """Where the device may trip, and where it must."""
    from matplotlib.patches import Circle, Wedge

    low, high = device.holds_ma, device.trips_ma
    axes.add_patch(Wedge((0, 0), high, 0, 360, width=high - low, color="0.88", zorder=0))
    for radius, style in ((low, "--"), (high, "-")):
        axes.add_patch(Circle((0, 0), radius, fill=False, linestyle=style, color="0.35"))
    axes.text(0, low, f"may trip from {low:g} mA", ha="center", va="bottom", fontsize=8)
    axes.text(0, high, f"must trip from {high:g} mA", ha="center", va="bottom", fontsize=8)


def _arrows(axes: Any, found: Sequence[Measured], one: Together) -> None:
    """The running parts head to tail, numbered, and their sum; the list of them beside."""
    x = y = 0.0
    listed = []
    running = [part for part in found if part.part in one.worst.running]
    for n, part in enumerate(running, 1):
        sign = -1.0 if part.part in one.worst.turned else 1.0
        dx, dy = sign * part.load.resistive_ma, sign * part.load.capacitive_ma
        _arrow(axes, (x, y), (dx, dy), color="0.45", lw=1.5)
        axes.text(x + dx / 2, y + dy / 2, str(n), fontsize=8, bbox=LABEL, ha="center", va="center")
        listed.append(f"{n}  {part.part}  {math.hypot(dx, dy):.2f} mA")
        x, y = x + dx, y + dy
    _arrow(axes, (0.0, 0.0), (x, y), color="black", lw=2.5, zorder=3)
    worst = one.worst
    listed.append(f"thick: together {worst.magnitude_ma:.2f} ± {worst.u_ma:.2f} mA")
    axes.text(0.02, 0.02, "\n".join(listed), transform=axes.transAxes, va="bottom", bbox=LABEL)


def _arrow(axes: Any, start: tuple[float, float], by: tuple[float, float], **how: Any) -> None:
    end = (start[0] + by[0], start[1] + by[1])
    axes.annotate(
        "", end, start, arrowprops={"arrowstyle": "-|>", "shrinkA": 0, "shrinkB": 0} | how
    )


def _frame(axes: Any, device: Device) -> None:
    span = 1.25 * device.trips_ma
    axes.set(xlim=(-span, span), ylim=(-span, span), aspect="equal")
    axes.set_xlabel("in phase with leg 1 (resistive), mA at nominal voltage")
    axes.set_ylabel("leading (capacitive), mA")
    axes.axhline(0, color="0.7", lw=0.6, zorder=0)
    axes.axvline(0, color="0.7", lw=0.6, zorder=0)
