"""Tracks turned into delays and polarity, with a probability and one sigma: time difference of arrival. Pure.

``tracks -> strokes and stretches -> curves of evidence -> hypotheses -> posterior -> exact delay and sigma``
(`strokes`, `hypotheses`, `posterior`; `measure` runs them and ends it). A delay is positive when the event comes later
in the second track, in seconds. The first wavefront is what is measured of struck sources: a drum radiates
differently into the near and the far field and a room answers louder than the direct sound, so that a correlation's
peak is not its arrival.
"""
