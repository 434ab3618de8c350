"""One module per kind of procedure; ``procedures/catalog.py`` lists the families."""
