"""Where the mics stand, from a recording of hits at known points."""
