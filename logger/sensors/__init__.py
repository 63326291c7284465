"""Samples each physical part: ADC channels, tach pulse input, accelerometer, mark button, lamp."""
