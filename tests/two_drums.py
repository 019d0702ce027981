"""Kits of two drums, a mic at each and two over both, made here."""

from __future__ import annotations

import numpy as np

from micalign.alignment.over_kit import reference_for
from micalign.alignment.own_strokes import PlacedTrack
from micalign.take.tracks import Track
from micalign.tdoa.delays import Delay
from micalign.tdoa.strokes import listen

RATE = 44100

UNTOLD = Delay(0.0, 0.05, 1, 0.0, 0.0, False, "not measured here")


def drum(rng, hz, seconds=0.25):
    """A decaying tone with some noise on its beginning."""
    t = np.arange(int(seconds * RATE)) / RATE
    return np.sin(2 * np.pi * hz * t) * np.exp(-t / 0.06) + 0.4 * rng.normal(size=len(t)) * np.exp(-t / 0.02)


def kit(rng, *, polarity=1, late=132, seconds=12.0):
    """Two drums, a mic at each that hears the other 30 dB down, and two mics over both, the drums at other times."""
    sounds = {name: 1e-5 * rng.normal(size=int(seconds * RATE)) for name in ("one", "two", "left", "right")}
    for k, at in enumerate(np.arange(0.3, seconds - 0.5, 0.45)):
        which = ("one", "two")[k % 2]
        hit = drum(rng, 180.0 if which == "one" else 95.0) * rng.uniform(0.6, 1.0)
        start = int((at + rng.normal(0, 0.01)) * RATE)
        paths = {"one": (0, 1.0), "two": (60, 0.03)} if which == "one" else {"one": (60, 0.03), "two": (0, 1.0)}
        paths |= (
            {"left": (late, 0.2), "right": (late + 9, 0.18)}
            if which == "one"
            else {"left": (190, 0.2), "right": (160, 0.22)}
        )
        for name, (shift, gain) in paths.items():
            sign = polarity if (which, name) in (("one", "left"), ("one", "right")) else 1
            sounds[name][start + shift : start + shift + len(hit)] += sign * gain * hit
    return {name: Track.from_array(name, sound, RATE) for name, sound in sounds.items()}


def own_times(track):
    """When a mic's own drum is struck, in seconds."""
    heard = listen(track)
    return heard.first_wavefronts / RATE


def over(tracks):
    return [PlacedTrack(tracks["left"]), PlacedTrack(tracks["right"])]


def onto(tracks, *names):
    """What the tracks are laid onto, the first of them named first."""
    return reference_for([listen(tracks[name]) for name in names], names[0])


def roomy(tracks):
    """The kit with two mics in the room, 9 ms behind the overheads."""
    for name, of, late_s in (("room left", "left", 9.0e-3), ("room right", "right", 9.3e-3)):
        sound = 0.3 * np.roll(tracks[of].read(), round(late_s * RATE))
        tracks[name] = Track.from_array(name, sound, RATE)
    return tracks


def called(tracks, **names):
    """Some of the tracks by other names."""
    tracks |= {name: Track.from_array(name, tracks[of].read(), RATE) for of, name in names.items()}
    return tracks
