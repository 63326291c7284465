"""Worked analyses to copy from, each a script that the tests run."""
