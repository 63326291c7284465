"""The commands, one module each: `HELP` and `EXAMPLE`, `add_arguments(parser)`, and `run(args) -> exit code`.

These modules print; the library below them never does. Heavy imports stay inside the functions, so that a recorder
on a small board is not kept waiting for what only the analysis or the page needs.
"""
