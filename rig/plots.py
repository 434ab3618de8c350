"""Pictures of a record: leakage against time, the vector diagram, the place on the element.

matplotlib is an extra and imported only when something is drawn. Black and grey only, so that print,
photocopies and every eye show the same; styles, marks and words carry the meaning. The same record gives
the same bytes. Reads records, never an instrument. Each kind of picture has a file of its own.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from results.errors import NotFound
from results.record import Record
from results.store import Store
from rig.errors import RigError
from rig.plot_place import has_place

FORMATS = (".png", ".svg")
STEADY: Mapping[str, Mapping[str, None]] = {".png": {"Software": None}, ".svg": {"Date": None}}
STYLE: Any = {
    "svg.hashsalt": "milliproof",
    "svg.fonttype": "none",  # words stay words: searchable, and read out
    "font.size": 9,
    "axes.spines.top": False,
    "axes.spines.right": False,
}
DPI = 150


@dataclass(frozen=True, slots=True)
class Source:
    """What pictures are made of: a closing, its part's plate, its trace, the bench's own leakage."""

    closing: Record
    plate: Mapping[str, Any]
    trace: Mapping[str, Sequence[int | None]]
    fixture: Mapping[str, Any]

    @property
    def title(self) -> str:
        """Verdict, part and record, marked when nothing of it is real."""
        simulated = "SIMULATED · " if self.closing.simulated else ""
        words = {"pass": "PASS", "fail": "FAIL"}.get(self.closing.body["verdict"], "NO VERDICT")
        name = self.plate.get("model") or str(self.plate.get("family", "")).replace("_", " ")
        serial = f", serial {self.plate['serial']}" if self.plate.get("serial") else ""
        return f"{simulated}{words} · {name}{serial} · {self.closing.number}"


def source(store: Store, number: str) -> Source:
    """Everything that belongs to the closing ``number`` (or to that of an opening).

    Raises NotFound when there is no such record, or it is none of an attempt.
    """
    record = store.get(number)
    closing = store.closing_of(record.number) if record.kind == "opening" else record
    if closing is None or closing.kind != "closing":
        what = "is still open" if closing is None else f"it is of kind {record.kind}"
        raise NotFound(
            f"record {number}", what, "give the record of an attempt: history lists them"
        )
    opening = store.get(str(closing.body["opening"]))
    part = str(opening.body["part"])
    proof = store.newest("bench_proof", closing.bench)
    return Source(
        closing,
        store.part(part).body if part else {"family": "bench proof"},
        store.trace(closing.number) if closing.body.get("trace") else {},
        proof.body["fixture_ua"] if proof else {},
    )


def kinds(made_of: Source) -> list[str]:
    """The pictures that this record has the data for."""
    body = made_of.closing.body
    measured = any(one["y_ua"] is not None for one in body["conditions"])
    has = {"time": bool(made_of.trace), "vectors": measured, "place": has_place(body)}
    return [kind for kind, there in has.items() if there]


def _time(figure: Any, made_of: Source) -> None:
    from rig import plot_time

    axes, beside = figure.subplots(2, 1, height_ratios=(3.2, _rows(made_of)))
    plot_time.draw(axes, beside, made_of.closing.body, made_of.trace)


def _rows(made_of: Source) -> float:
    """Height of the list of conditions, in the unit of the picture's own."""
    return 0.2 + 0.13 * len(made_of.closing.body["conditions"])


def _vectors(figure: Any, made_of: Source) -> None:
    from rig import plot_vectors

    axes, beside = figure.subplots(2, 1, height_ratios=(4.0, _rows(made_of)))
    plot_vectors.draw(axes, beside, made_of.closing.body, made_of.fixture)


def _place(figure: Any, made_of: Source) -> None:
    from rig import plot_place

    plot_place.draw(figure.subplots(), made_of.closing.body)


DRAWN: Mapping[str, tuple[tuple[float, float], Callable[[Any, Source], None]]] = {
    "time": ((7.0, 5.4), _time),
    "vectors": ((6.0, 7.0), _vectors),
    "place": ((6.5, 2.2), _place),
}


def draw(made_of: Source, kind: str, path: Path) -> Path:
    """Draw one kind into ``path`` (.png or .svg) and return it.

    Raises RigError without matplotlib, for another format, or when the file can't be written.
    """
    if path.suffix.lower() not in FORMATS:
        raise RigError(str(path), "no picture format", f"end it in {' or '.join(FORMATS)}")
    size, fill = DRAWN[kind]
    with drawing(size, made_of.title) as figure:
        fill(figure, made_of)
        save(figure, path)
    return path


@contextmanager
def drawing(size: tuple[float, float], title: str) -> Iterator[Any]:
    """An empty figure in the project's style; ``size`` in inches. RigError without matplotlib."""
    try:
        import matplotlib
        from matplotlib.figure import Figure
    except ImportError as exc:
        raise RigError("plot", "matplotlib is missing", "pip install 'milliproof[plots]'") from exc
    with matplotlib.rc_context(STYLE):
        figure = Figure(figsize=size, layout="compressed")
        figure.suptitle(title, x=0.01, ha="left", fontsize=10)
        yield figure


def save(figure: Any, path: Path) -> None:
    """Write the figure, without a date in it. RigError when the file can't be written."""
    suffix = path.suffix.lower()
    if suffix not in FORMATS:
        raise RigError(str(path), "no picture format", f"end it in {' or '.join(FORMATS)}")
    try:
        figure.savefig(path, dpi=DPI, metadata=dict(STEADY[suffix]))
    except OSError as exc:
        raise RigError(str(path), f"can't be written: {exc.strerror}") from exc
