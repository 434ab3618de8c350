"""One module per subcommand, imported only when it is called; heavy imports stay inside functions."""
