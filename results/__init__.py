"""The room that knows records: schema, append-only store, journal, history.

It never reads an instrument and imports no other room. Nothing that is stored is ever updated.
"""
