"""Who is working, as the machine knows it."""

from __future__ import annotations

import getpass


def operator_name() -> str:
    """The user's name; "unknown" where the machine has none for this user."""
    try:
        return getpass.getuser()
    except (KeyError, OSError):
        return "unknown"
