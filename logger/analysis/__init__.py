"""Pure functions over arrays: from pulses and channels to stumbles, causes, links and repairs."""

from logger.analysis.analyse import analyse

__all__ = ["analyse"]
