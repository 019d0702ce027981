"""A kit from plan to sum, as somebody would write it in a notebook; run as a doctest.

What is planned:

>>> from micalign import Scene, Source, Mic, Pair, Box, check, place, predict
>>> on = ("kick", "snare")
>>> free = Box((1.0, 3.0), (2.6, 3.2), (1.5, 1.9))
>>> kit = Scene(
...     title="two drums, two overheads",
...     sources=(Source("kick", (2.0, 2.0, 0.35)), Source("snare", (2.4, 2.3, 0.7))),
...     mics=(
...         Mic("left", (1.5, 2.9, 1.6), aim="snare", pattern="cardioid", on=on, plus_minus_m=0.002),
...         Mic("right", (2.9, 2.8, 1.7), aim="snare", pattern="cardioid", on=on, move=free, plus_minus_m=0.002),
...     ),
...     pairs=(Pair("overheads", ("left", "right"), equal_to=("snare",)),),
... )
>>> kit
two drums, two overheads
name    kind                         at
kick    source   2.00 m, 2.00 m, 0.35 m
snare   source   2.40 m, 2.30 m, 0.70 m
left    mic      1.50 m, 2.90 m, 1.60 m
right   mic      2.90 m, 2.80 m, 1.70 m
>>> planned = predict(kit)
>>> planned
Arrivals; sound travels at 344.0 m/s
mic        kick     snare
left    4.71 ms   4.09 ms
right   5.26 ms   3.56 ms
>>> planned.arrival_s.shape
(2, 2)
>>> bool(check(kit).passes)
False

What should be:

>>> better = place(kit)
>>> better.feasible, better.before > better.after
(True, True)
>>> late = predict(better.scene).arrival_s
>>> bool(abs(late[1, 1] - late[1, 0]) < 0.05e-3)
True

What was recorded, here made up: the same noise in two tracks, the second 1.5 ms late and inverted:

>>> import numpy as np
>>> noise = np.random.default_rng(4).normal(scale=0.1, size=60000)
>>> tracks = {"left": noise[1000:49000], "right": -0.7 * noise[928:48928]}

>>> from micalign import align, measure
>>> found = measure(tracks, sample_rate=48000)
>>> (1e3 * found.delay_s).round(3), found.polarity, found.reliable
(array([1.5]), array([-1]), array([ True]))
>>> done = align(tracks, sample_rate=48000)
>>> done
Laid onto left
track       shift   polarity   moved
left    +0.000 ms   kept       yes
right   -1.500 ms   FLIPPED    yes

Added up as recorded, and aligned:

>>> loudness = lambda sound: round(float(10 * np.log10(np.mean(sound**2))), 1)
>>> loudness(tracks["left"] + tracks["right"]), loudness(done.samples.sum(axis=0)[:47000])
(-18.3, -15.4)
>>> done.to_dict()["shift_s"] == done.shift_s.tolist()
True

On paper and on disk:

>>> from micalign import open_tracks, plan_figure, write_audio
>>> type(plan_figure(better.scene)).__name__
'Figure'
>>> import tempfile, pathlib
>>> folder = pathlib.Path(tempfile.mkdtemp())
>>> for name, samples in zip(done.tracks, done.samples):
...     _ = write_audio(folder / f"{name}.wav", [samples], sample_rate=done.sample_rate, subtype="FLOAT")
>>> take = open_tracks([folder / "left.wav", folder / "right.wav"])
>>> take
2 tracks at 48000 Hz
track        length
left.wav    1.000 s
right.wav   1.000 s
>>> bool(np.allclose(np.asarray(take.track("left.wav")), done.samples[0], atol=1e-7))
True
"""
