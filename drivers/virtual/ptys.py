"""Serial ports of the virtual bench: pseudo-terminals whose far end a program opens by name."""

from __future__ import annotations

import contextlib
import errno
import os
import sys
from dataclasses import dataclass

from drivers.errors import PortUnavailable

CHUNK = 4096


@dataclass(frozen=True, slots=True)
class Pty:
    """``path`` is what a program opens. The far end stays open here, so that a program which closes
    and reopens the port finds it alive."""

    path: str
    near: int
    far: int

    def read(self) -> bytes:
        """Whatever is there, possibly nothing."""
        try:
            return os.read(self.near, CHUNK)
        except BlockingIOError:
            return b""

    def write(self, data: bytes) -> None:
        """Send; what doesn't fit because nobody reads is lost, as on a real line."""
        with contextlib.suppress(BlockingIOError):
            os.write(self.near, data)

    def close(self) -> None:
        for end in (self.near, self.far):
            with contextlib.suppress(OSError):
                os.close(end)


def require_ptys() -> None:
    """Raises PortUnavailable where the system has no pseudo-terminals that programs open by name."""
    if not sys.platform.startswith("linux"):
        raise PortUnavailable(
            "virtual bench",
            f"needs Linux pseudo-terminals, this is {sys.platform}",
            "use Linux, or describe real hardware in a bench file",
        )


def open_pty() -> Pty:
    """A new raw 8N1 line. Raises PortUnavailable where there is none."""
    require_ptys()
    import tty  # not everywhere

    try:
        near, far = os.openpty()
    except OSError as exc:
        code = errno.errorcode.get(exc.errno or 0, "")
        remedy = "close other terminals, or mount /dev/pts"
        raise PortUnavailable("virtual bench", f"no pseudo-terminal: {code}", remedy) from exc
    tty.setraw(far)
    os.set_blocking(near, False)
    return Pty(os.ttyname(far), near, far)
