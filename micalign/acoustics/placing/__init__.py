"""The search behind `micalign.acoustics.placement`: limits, wishes, starts, descent, rounding; plain arrays."""
