"""Predicted against measured: what a take says about where the mics stand, which input they are in and their polarity."""
