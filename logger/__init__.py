"""stumblelog: records an old car's signals, finds each stumble of the engine and what failed first."""

__version__ = "0.1.0"
