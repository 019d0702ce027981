"""Tracks turned into delays and polarity, with their uncertainty. Pure."""
