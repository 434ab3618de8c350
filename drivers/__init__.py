"""The room that speaks to instruments.

Codecs (bytes in, bytes out, no I/O), lines (one port, one absolute deadline, resynchronisation) and
stations (one line with its devices). ``errors.py`` is the whole failure vocabulary: no library
exception leaves this room. ``described.py`` is what a bench file may say. ``virtual/`` is the virtual
bench. The room imports no other room.
"""
