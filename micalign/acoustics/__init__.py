"""A scene turned into numbers: arrival times, levels, combs, reflections, room modes, survey and placement. Pure."""
