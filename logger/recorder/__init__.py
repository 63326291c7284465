"""The daemon: samples, buffers, commits once a second, reports its health and live values."""
