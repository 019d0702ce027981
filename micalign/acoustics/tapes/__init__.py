"""The arithmetic behind `micalign.acoustics.survey`: points and tapes, their solution, and doubt about them. Pure."""
