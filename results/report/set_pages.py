"""Set a document in a process of its own: ``python set_pages.py DIRECTORY``.

The directory holds main.typ, data.json and what goes with them; out.pdf (and out.png where asked for)
is written to it. Imports nothing of this project, so that it starts at once, and ends after one
document, since a typesetter's memory grows. Exit code 3 with the typesetter's words on standard error
where a document can't be set.
"""

import json
import sys
from pathlib import Path

FITS_NOT = "does not fit"  # what the template says when a size is too large for its pages


def main(root: str) -> int:
    """Try each text size, largest first, until the pages hold it all."""
    import typst

    place = Path(root)
    data = json.loads((place / "data.json").read_text("utf-8"))
    for size in data["sizes"]:
        try:
            _compile(typst, place, data, size)
        except (typst.TypstError, RuntimeError) as fault:
            if FITS_NOT in str(fault) and size != data["sizes"][-1]:
                continue
            print(fault, file=sys.stderr)
            return 3
        return 0
    return 3


def _compile(typst: object, place: Path, data: dict, size: float) -> None:  # type: ignore[type-arg]
    common = {
        "root": str(place),
        "ignore_system_fonts": True,
        "timestamp": data["at_s"],
        "sys_inputs": {"size": str(size), "last": str(size == data["sizes"][-1]).lower()},
    }
    main_file = str(place / "main.typ")
    typst.compile(  # type: ignore[attr-defined]
        main_file,
        output=str(place / "out.pdf"),
        pdf_standards=["a-3a", "ua-1"],
        **common,
    )
    if data.get("ppi"):
        typst.compile(  # type: ignore[attr-defined]
            main_file, output=str(place / "out.png"), format="png", ppi=data["ppi"], **common
        )


if __name__ == "__main__":
    sys.exit(main(sys.argv[1]))
