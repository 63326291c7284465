"""A simulated car and the emulated chips on its bus and pins, for the demo and the tests."""
