"""Pure functions over arrays: from pulses and channels to stumbles, causes, links and repairs."""
