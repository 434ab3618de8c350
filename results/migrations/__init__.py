"""Migrations of the record store, run by ``results.database`` when a home is opened."""
