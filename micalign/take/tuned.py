"""Every number by which a take is judged that somebody chose: unit, reason, and what holds it.

What ``tests/take/test_faulty_takes.py`` (sixty takes with known faults), ``test_clipping.py``,
``test_hum_and_noise.py`` and ``test_truepeak.py`` beside it ask for holds them. What a standard prints stands where it
is used.
"""

from __future__ import annotations

from typing import Final

# What is said of a track.

WORKING_PERCENT: Final = (25.0, 75.0)
"""Share of full scale in per cent, from and to, where the loudest peaks should lie (-12.0 to -2.5 dBFS): room for a
player who warms up, far above any converter's noise (common practice, no source)."""

SILENT_PEAK: Final = 10.0 ** (-72.0 / 20.0)
"""Share of full scale (-72 dB, 8 steps of 16 bit): no mic in a room is as quiet (chosen, no source)."""

EMPTY_PEAK: Final = 1e-4
"""Share of full scale (-80 dB, 3 steps of 16 bit): below it a track is silent, above it dead (chosen, no source)."""

DEAD_SPREAD: Final = 10.0**0.6
"""Ratio of powers (6 dB) between floor and the loudest tenths: less is steady noise with nothing in it (chosen)."""

DEAD_QUANTILE: Final = 0.99
"""Share of the tenths of a second: the loudest hundredth of them is held against the floor (chosen, no source)."""

DEAD_POWER: Final = 1e-4
"""Ratio to full scale's power (-40 dBFS): what is louder and steady may be a drone (chosen)."""

HUM_ALONE: Final = 0.8
"""Share of the floor's power from which hum is all that is there (chosen)."""

BLEED_DB: Final = 15.0
"""Decibels below the middle of the window at which a track may hold bleed alone, where others are in it: mics of struck
drums in six takes of a real kit lack 9 dB at the most, those of others 17 dB at the least."""

CLIPPED_DB: Final = -6.0
"""Decibels: at least so far down after clipping, for how far it went beyond is not in the file (common practice)."""

AUDIBLE_DBFS: Final = -60.0
"""Decibels of full scale, after a quiet track was turned up: above it noise is heard (common practice, no source)."""

FAINT_HUM_DBFS: Final = -80.0
"""Decibels of full scale, likewise: 20 dB under what would be heard, where nothing is said of hum (chosen, no
source)."""

LOUD_NOISE_DBFS: Final = -50.0
"""Decibels of full scale, likewise: above it noise is a problem in the mix (common practice, no source)."""

SQUARE_LIKE: Final = 0.8
"""Ratio of the loud parts' power to the peak's square: a square wave has 1, a sine cut to two thirds 0.75."""

OFFSET_NOTE: Final = 0.002
"""Share of full scale (-54 dB): a constant offset worth a word (common practice, no source)."""

OFFSET_PROBLEM: Final = 0.01
"""Share of full scale (-40 dB): a constant offset that is a problem (common practice, no source)."""

HIGH_HUM: Final = 1.5
"""Ratio to the mains: a strongest line above it is a harmonic, which dimmers and supplies make, not transformers."""

GAIN_SHOWN_DB: Final = 0.05
"""Decibels: less would be shown as 0.0 dB."""

LENGTHS_DIFFER_S: Final = 0.5
"""Seconds: recorders that stop one track after the other differ by less (chosen, no source)."""

NAMES_SHOWN: Final = 5
"""Count of tracks named in one sentence before the rest are counted (chosen by eye)."""

# Clipping.

RUN_SAMPLES: Final = 3
"""Samples in a row at one extreme: custom; no standard defines it."""

FLAT_SHARE: Final = 3e-4
"""Share of the extreme (0.003 dB): a converter's noise on a flat stays within (chosen)."""

FLAT_STEPS: Final = 1.5
"""Count of steps of a file of 8 or 16 bits that are alike, where that is more than `FLAT_SHARE` (chosen, no source)."""

LEAST_RISE: Final = 6.0
"""Ratio to what counts as flat: a sound that would have risen less could be the top of a slow wave (chosen)."""

HEAP_SAMPLES: Final = 12
"""Count of single samples at full scale: fewer may meet there by chance (chosen)."""

HEAP_RATIO: Final = 5.0
"""Ratio to the samples of the band below: twice what a sine has, the densest sound of all (2.4)."""

HEAP_GAPS: Final = 6
"""Count of different distances between a heap's samples: a pure tone has one or two (chosen)."""

KEPT_SINGLES: Final = 64
"""Count of places of single samples that are kept: enough for `HEAP_GAPS`, in constant memory."""

FIRST_PLACES: Final = 5
"""Count of places of clipping that are named in words (chosen by eye)."""

MARKS_PER_S: Final = 10
"""Count of marks of clipping in a picture to a second (chosen by eye)."""

SAME_HIT_S: Final = 0.1
"""Seconds: clipping that begins within it belongs to one stroke and is named once (chosen)."""

STEP_SAMPLES: Final = 4096
"""Samples of a block that are held against the steps of 8 and 16 bits (chosen, no source)."""

OUTLINE_BINS: Final = 4096
"""Count of bins of an outline, so that its memory is constant (chosen, no source)."""

# Faults of a recorder or a cable: gaps and clicks. See `tests/take/test_gaps_and_clicks.py`.

GAP_LEAST_S: Final = 1e-3
"""Seconds: shorter runs of zeros are met in quiet sound of few bits (chosen)."""

GAP_EDGE_S: Final = 5e-3
"""Seconds before and behind a gap whose level is read (chosen, no source)."""

GAP_LONGEST_S: Final = 0.3
"""Seconds: a track with a longer stretch of zeros between sounds was gated or edited (chosen)."""

GAP_SHARE: Final = 0.05
"""Share of a track: more zeros than that between sounds are a gate's (chosen)."""

GAP_SOUND: Final = 1e-4
"""Share of full scale (-80 dB): quieter sound beside a gap was faded out (chosen)."""

GAP_STEPS: Final = 16.0
"""Count of a file's steps, likewise."""

GAP_ALIKE: Final = 4.0
"""Ratio of root mean squares (12 dB) before and behind a dropout: a gate opens to a louder sound (chosen)."""

GAPS_KEPT: Final = 4096
"""Count of gaps that are kept: more are a gate's in any case (chosen, no source)."""

DIES_LEAST_S: Final = 1.0
"""Seconds of zeros to a track's end that are worth a word (chosen, no source)."""

CLICK_NEAR_S: Final = 1e-3
"""Seconds before and behind a click in which nothing else bends as much (chosen)."""

CLICK_LEAST: Final = 0.03
"""Share of full scale (-30 dB) by which a click stands off its neighbours (chosen)."""

CLICK_SIDES: Final = 1.6
"""Ratio of a click's bend to its neighbours': a lone sample has 2."""

CLICK_BESIDE: Final = 0.125
"""Ratio to a click's bend of the largest one near it; none in 660 tracks of a real kit stands out as far."""

CLICKS_PER_S: Final = 2.0
"""Count of clicks to a second beyond which they are a signal, not a fault (chosen)."""

# Floor and noise.

SILENT_POWER: Final = 1e-14
"""Ratio to full scale's power (-140 dBFS): under the step of 24 bits, so digital silence."""

QUIETEST_SHARE: Final = 0.02
"""Share of the tenths of a second: the quietest, from which the floor is first read (chosen, no source)."""

FLOOR_RATIO: Final = 10.0**0.2
"""Ratio of powers (2 dB): quiet tenths that near the quietest are the floor (chosen)."""

PAUSE_RATIO: Final = 10.0**0.8
"""Ratio of powers (8 dB): low noise is so uneven from tenth to tenth; a second that stays below is a pause (chosen)."""

NEAR_FLOOR: Final = 10.0**0.6
"""Ratio of powers (6 dB): quiet seconds so near the floor show what it is made of (chosen)."""

LOUDEST_SHARE: Final = 0.1
"""Share of the tenths of a second: what counts as the loud parts of a track (chosen)."""

BOUND_RATIO: Final = 100.0
"""Ratio of powers (20 dB): less between loud and quiet says that there was no pause (chosen)."""

STANDS_OUT: Final = 2.0
"""Ratio of powers (3 dB) of rumble or hiss to what lies between them (chosen)."""

LOWEST_HZ: Final = 10
"""Hertz: what lies below counts as no rumble (chosen, no source)."""

RUMBLE_HZ: Final = 200
"""Hertz: rumble of machines and street lies below (common practice, no source)."""

HISS_HZ: Final = 2000
"""Hertz: a preamp's hiss is heard above (common practice, no source)."""

MOST_QUIET_S: Final = 12
"""Seconds of quiet that are kept at rates up to 48 kHz (chosen, no source)."""

LEAST_QUIET_S: Final = 4
"""Seconds of quiet that are kept at any rate, above what `KEPT_FRAMES` allows (chosen, no source)."""

KEPT_FRAMES: Final = MOST_QUIET_S * 48_000
"""Samples of a track's quiet seconds that are kept at most, 2.3 MB of 32 bits (chosen, no source)."""

# Noise under sound that never pauses: see `tests/take/test_steady_noise.py`.

STEADY_EDGES_HZ: Final = (2000, 3000, 4500, 6500, 9000, 13_000, 18_000)
"""Hertz: edges of the bands that must be steady at once (chosen)."""

STEADY_HIGHEST: Final = 0.46
"""Share of the sample rate up to which bands are looked at: above it a converter's filter cuts (chosen, no source)."""

STEADY_LEAST_BANDS: Final = 3
"""Count of bands below which nothing is told (chosen, no source)."""

STEADY_SIGMAS: Final = 2.0
"""Count of standard errors that a band's power may lie off its quiet level."""

STEADY_LEAST_TENTHS: Final = 10
"""Count of tenths of a second that must be alike: 660 tracks of a real kit, grooves and cymbals struck on and on, have
5 at the most at any level that would be heard."""

STEADY_SHARE_OF_ALL: Final = 0.06
"""Share of all tenths that must be alike (see `STEADY_LEAST_TENTHS`)."""

STEADY_PAIRS: Final = 5
"""Count of such tenths that follow another: rides and crashes struck at even times have 3, a kit with hiss at -30 dBFS
7 in nineteen tracks of twenty, and 73 in the middle one."""

STEADY_SPREAD_DB: Final = 0.08
"""Decibels: the mean of all bands is spread as much from tenth to tenth by chance: hiss under strokes has 0.13 to 0.22,
chords of a distorted guitar that repeat in every tenth 0.00 to 0.05."""

STEADY_QUANTILE: Final = 0.05
"""Share of the tenths that are quieter than where the search begins (chosen)."""

STEADY_ROUNDS: Final = 4
"""Count of rounds in which the quiet level is read again from the tenths at it (chosen)."""

STEADY_FLATNESS: Final = 0.4
"""Ratio of the geometric to the arithmetic mean of the bins: noise has 0.56 to 0.57, chords whose treble is spread
as noise is 0.01 to 0.26."""

# Hum.

HARMONICS_AGREE: Final = 0.004
"""Share of a harmonic's frequency: within it lines are of one mains (chosen, no source)."""

LINE_READ_HZ: Final = 0.1
"""Hertz to which a line's frequency is read from two bins beside noise (chosen)."""

MOST_HARMONICS: Final = 12
"""Count of harmonics that are looked for: up to 600 and 720 Hz (chosen, no source)."""

LOW_HARMONIC: Final = 2
"""Count of the harmonic up to which one line alone is hum (chosen, no source)."""

LEAST_LINE: Final = 1e-5
"""Ratio of powers (-50 dB) to a hum's strongest line: what is left further down where nothing else sounds is the
rounding of a file or the edge of the window, and nobody hears it."""

LEAST_LINES: Final = 3
"""Count of lines that make a hum without a low one among them (chosen, no source)."""

AROUND_BINS: Final = (4, 18)
"""Hertz beside a line, from and to, whose median it must stand above: past the line's own bins (chosen)."""

AROUND_LOWEST_HZ: Final = 5
"""Hertz: bins below it do not count as what is around a line (chosen, no source)."""

PROMINENCE: Final = 10.0
"""Ratio of powers (10 dB) of a line to what is around it (chosen)."""

FEW_PROMINENCE: Final = 40.0
"""Ratio of powers (16 dB) asked where few seconds could be looked at (chosen)."""

FEW_SECONDS: Final = 5
"""Seconds of quiet from which `PROMINENCE` will do (chosen, no source)."""

QUIET_RATIO: Final = 4.0
"""Ratio of powers (6 dB): seconds no louder than that against the quietest are quiet (chosen)."""

STEADY_RATIO: Final = 2.0
"""Ratio of powers (3 dB) between quiet seconds within which a line is steady: a note comes and goes (chosen)."""

STAYS_RATIO: Final = 0.3
"""Share of a line's power (5 dB down) that stays: a sound beside it may weaken it for a second (chosen)."""

STEADY_SHARE: Final = 0.75
"""Share of the seconds: in so many a line must be steady, and stay (chosen)."""

HUM_IN_FLOOR: Final = 1.25
"""Ratio of a line's power to the floor's (1 dB): what is louder is no hum, which is in the floor as all that stays.
With `USUAL_MAINS` hum is told of none of 120 tracks of the real kit, which has none (development half, seed 66, by
which neither was set), and of 94 where one of -70 dBFS is planted; without both of 8 and 97
(``tests/bench/take/false_hum.py``)."""

USUAL_MAINS: Final = 0.004
"""Share of the mains' frequency within which a few lines alone must lie: 200 mHz of 50 Hz, as the grid of continental
Europe keeps (Regulation (EU) 2017/1485, from memory)."""

HUM_LEFT: Final = 1.05
"""Ratio to a hum's power that is taken away: what is left of a line is a few per cent of it, no noise of its own."""

# Doubles.

ALIKE_LOUDNESS: Final = 0.97
"""Ratio, the cosine, of two loudness curves over time: from it on tracks are compared (chosen, no source)."""

LEFT_OVER: Final = 1e-4
"""Share of the power (-40 dB) left when the best copy is taken away: two mics leave well above, rounding far below."""

MOST_LAG: Final = 64
"""Samples that a copy is late at most (chosen, no source)."""

COMPARED_FRAMES: Final = 8192
"""Samples that are compared at each moment, a sixth of a second at 48 kHz (chosen, no source)."""

MOMENTS: Final = 4
"""Count of moments of a take that are compared: a copy is one at all of them (chosen, no source)."""

# True peak, and loudness.

REACH: Final = 192
"""Samples on either side of an interval that the rebuilt sound rests on: at most 0.01 dB low below 0.45 of the rate."""

KAISER_BETA: Final = 3.0
"""Ratio beta of a Kaiser window over those: flat to 0.495 of the sample rate."""

FINE_STEPS: Final = 32
"""Count of steps to a sample; ITU-R BS.1770-4 asks for 4 at least, which may read 0.69 dB low at half the rate."""

NEAR_REACH: Final = 32
"""Samples on either side in a first look at many places: a sixth of the work (chosen, no source)."""

NEAR_BETA: Final = 5.0
"""Ratio beta of the window over those (chosen, no source)."""

COARSE_STEPS: Final = 8
"""Count of fine steps to one of the first look: four to a sample."""

UNDER_READ: Final = 1.12
"""Ratio (1 dB) by which the first look may read low: 0.69 dB for four steps at half the rate, the rest its filter."""

LEAST_SUM: Final = 0.7
"""Share of the highest peak: less in two neighbours together, and no higher peak lies between them."""

LEAST_GUESS: Final = 0.7
"""Share of the highest peak: the least guess from four samples that is worth a look (chosen, no source)."""

MOST_PLACES: Final = 256
"""Count of places of a first look: a product so small is done in one thread, which is faster on a busy machine."""

MOST_REFINED: Final = 16
"""Count of places of a stretch that are looked at finely (chosen, no source)."""

TAIL_S: Final = 0.5
"""Seconds after which the high-pass of BS.1770 (38 Hz) has died away."""

LEAST_DIRECT_DB: Final = 10.0
"""Decibels below the strongest: the direct sound of a shaded mic may be weaker than a bounce; chosen, no source."""

ECHO_DB: Final = -25.0
"""Decibels to the direct sound: weaker bounces are not named; chosen, no source."""

BOUNCE: Final = 2.0
"""Ratio to the middle height about it: less is the dense tail of a room and no bounce of its own; chosen, no
source."""
