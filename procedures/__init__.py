"""The room that knows parts, limits and measurement mathematics.

Pure: no I/O, no clock; import-linter checks it. ``scan.py`` is the vocabulary: a procedure is a
generator that receives a Scan and yields a Demand, and it declares as data what it may use.
"""
