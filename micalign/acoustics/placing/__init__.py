"""The search behind `micalign.acoustics.placement`: limits, the cost and its terms, starts, descent; plain arrays."""
