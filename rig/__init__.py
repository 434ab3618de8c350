"""The room that composes: bench file, scan loop, guard, recorder, command line.

Only this room may import the others. ``wiring.py`` (channel to quantity) and ``recording.py`` (outcome
to record) are the only translators. The guard (``guard.py``) is the only one that decides outputs.
"""
