"""Delays turned into one consistent set of shifts and polarity flips, and the shifting itself. Pure."""
