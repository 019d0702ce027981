"""Every number of alignment that somebody chose: unit, reason, and what set it.

"Development half" is that of ``tests/bench/alignment`` (DIs and their mics, by cabinet) or of the real kit in
``tests/bench/delay`` (close mics, by hit); the other half is looked at and not fitted on. Bounds of a figure stand
where the figure is made.
"""

from __future__ import annotations

from typing import Final

# fmt: off
__all__ = [
    "ABOUT_AS_NEAR", "ABOVE_FLOOR", "ACROSS_REACH_S", "AGREED", "ALLOWED_DB", "APART_S", "AROUND_S", "AT_END_S",
    "BESIDE_COHERENCE", "BESIDE_SPAN_S", "BESIDE_THE_POINT", "BEYOND_S", "BLEED_CONFIDENCE",
    "BRIGHT_HZ", "CHOSEN_HARM_DB", "CLEARLY_DB", "CLOSE_DB", "COUNTING_SHARE", "DARK_DB", "DISAGREE_S", "DISAGREE_Z",
    "DI_SIGMA_S", "EARLIER_S", "EARLY_S", "FAR_DB", "FEWEST_BANDS", "FEWEST_CHOOSING", "FEWEST_MICS",
    "FEWEST_STROKES", "FEW_WINDOWS", "FIRM", "FIRST_S", "FLOOR_S", "FOLDS", "FOLLOWING", "GROUPS_HZ", "HARM_DB",
    "HEARD_DB", "HEARD_S", "HEARS_DB", "HEARS_SHARE", "HISS_DB", "HUBER", "HZ_RANGE", "KNOWN", "LAID_SIGMA_S",
    "LATER_S", "LEAST_COHERENCE", "LEAST_GAIN", "LEAST_GAIN_DB", "LEAST_HELD", "LEAST_SHAPE_DB", "LEAST_STEADY",
    "LEAST_SUM_DB", "LED_S", "LIKELY", "LIKELY_ARRIVAL", "LINE_BANDS_HZ", "LOBE_S", "LOST_DB",
    "LOST_THIRDS_HZ", "LOST_WINDOW_S", "LOUD_DB", "LOUD_HZ", "LOUD_REACH_S", "LOUD_SHARE", "LOUD_SIGMA_S",
    "LOUD_TRUST", "LOWEST_SHARE", "LOW_HZ", "MANY_DRUMS", "MARGIN_DB", "MEET", "MEETS_WELL", "MEET_S", "MOST_ALIKE",
    "MOST_BINS", "MOST_GROUP_DELAY_S", "MOST_LATE_S", "MOST_OVER_S", "MOST_OWN", "MOST_RIVAL", "MOST_ROUGH",
    "MOST_SECTIONS", "MOST_SPREAD_DB", "MOST_STROKES", "NEAR_ROUGH_S", "ONE_OVER", "OPEN_S", "OTHERS_DB",
    "OVER_CHANCE", "OVER_DB", "OVER_WEIGHTS", "OWN_DB", "OWN_M", "PARTED_DB", "PARTED_WELL_DB", "PAUSELESS",
    "PERHAPS", "PERIODS", "PLAINLY_S", "PLAINLY_STEADY", "Q_RANGE", "REACH_S", "RISES", "RISE_S", "ROOM_S",
    "ROUGH_BAND_HZ", "ROUGH_S", "SAME_BEGINNING", "SAME_S", "SCATTER_S", "SECTIONS_REACH_MS", "SHARED_PIECES",
    "SHORTEST_S", "SOFT_DB", "STEADY_STEPS", "STEADY_STEP_S", "STROKE_BANDS_HZ", "SURELY", "TURN_DB", "UNLIKELY",
    "UNSURE_WORTH_DB", "USUAL_S", "WHITENING", "WIDER_DB", "WIDE_S", "WINDOW_S", "WORTH_DB", "WORTH_SECTIONS_DB",
]
# fmt: on

ABOUT_AS_NEAR: Final = 1.5
"""Ratio of distances below which two places are about as near (chosen, no source)."""

ABOVE_FLOOR: Final = 10.0**0.6
"""Ratio of powers, 6 dB, over the noise from which on a cut is heard: less is uneven noise (chosen, no source)."""

ACROSS_REACH_S: Final = 0.02
"""Seconds about what two legs say in which the third is looked for, 7 m of air (chosen, no source)."""

AGREED: Final = 0.95
"""Share of all energy whose phases agree: 0.97 and more at the truth, 0.29 to 0.90 at the drums' (development half)."""

ALLOWED_DB: Final = 0.5
"""Decibels that a group of bands may end below as recorded: less is not heard (common practice, no source)."""

APART_S: Final = 0.03
"""Seconds beyond what a loudspeaker's own phase spreads: a peak there is another place, not a lobe."""

AROUND_S: Final = (5e-3, 0.15)
"""Seconds before and after a stroke that are added up: a drum's attack and most of its ring (chosen, no source)."""

AT_END_S: Final = 0.05e-3
"""Seconds from the end of what is looked at within which a best sum is no peak (chosen, no source)."""

BESIDE_THE_POINT: Final = 1e-4
"""Weight of a source in a pair where a mic is not there to take it: it joins and decides little (chosen, no source)."""

BESIDE_COHERENCE: Final = 0.7
"""Ratio, coherence by energy, of a DI and its mic beside a kit: driven basses reach it (development half); a voice's
mic that hears the bass through a live room comes to 0.64 (`studio`, 30 to 49)."""

BESIDE_SPAN_S: Final = 0.5e-3
"""Seconds, 17 cm, beyond the arrivals of a kit's other close mics that one may be laid whose own is not known (chosen,
no source)."""

BEYOND_S: Final = 2e-3
"""Seconds from its arrival that a close mic may be laid: on 102 mics of the real kit's development half 84 and 79 % of
what is possible in the two bands is gained so, with 1 ms 81 and 72 %, with 3 ms 84 and 79 % and more lost at 40 Hz. A
cymbal's half of that: of 31 hats (takes of the real kit's development half, seeds 49, 50 and 71) 13 lay over 1 ms from
their arrival and 13 were turned over, for bleed, now 1 and 5."""

BLEED_CONFIDENCE: Final = 0.2
"""Probability at the most that is stated of a delay of faint bleed, however sure the bleed is (chosen, no source)."""

BRIGHT_HZ: Final = 6000.0
"""Hertz above which a loudspeaker for guitar or bass gives back next to nothing (common practice, no source)."""

CHOSEN_HARM_DB: Final = -0.15
"""Decibels that no band may seem to lose at a place that is chosen for it: of many that seem harmless one is less so
than it seems. With `HARM_DB` one ride of 65 mics of the real kit's held-out half (seeds 580 and 581, which are spent on
this) lost 0.45 dB, with half of it none lost 0.1."""

CLEARLY_DB: Final = 3.0
"""Decibels by which a stretch must be more one source's own than another's (chosen, no source)."""

CLOSE_DB: Final = 12.0
"""Decibels of spread above which a mic may be one drum's: between the two of `OVER_DB`."""

COUNTING_SHARE: Final = 0.05
"""Share of the loudness from which on a group of bands counts (chosen, no source)."""

DARK_DB: Final = -27.5
"""Decibels above 6 kHz: halfway from cabinets (-34 and less) to overheads and rooms (-21 and up), development half."""

DISAGREE_S: Final = 0.1e-3
"""Seconds, 3.4 cm: sources that say the same to this are not named as differing (chosen, no source)."""

DISAGREE_Z: Final = 3.0
"""Standard deviations by which line check and song differ where a stand has moved (common practice, three sigma)."""

DI_SIGMA_S: Final = 2e-3
"""Seconds, one sigma: a DI's latency and its cabinet's are only roughly known (common practice, no source)."""

EARLIER_S: Final = 0.2e-3
"""Seconds, 7 cm of air, by which a track must come before another to be the DI for that (chosen, no source)."""

EARLY_S: Final = 1e-3
"""Seconds, 34 cm: what hears the kit so much before the reference stands nearer to it than an overhead beside it
(chosen; close mics of the real kit hear their drums 1.5 to 3.6 ms before, at its cymbals 1.1 ms)."""

FAR_DB: Final = 8.0
"""Decibels beyond what twelve windows may be off (chosen, no source)."""

FEWEST_BANDS: Final = 6
"""Count of third octaves that both tracks hold, two octaves: fewer show no shape (chosen, no source)."""

FEWEST_CHOOSING: Final = 5
"""Count of strokes below which they say nothing of how two tracks hear a kit (chosen, no source)."""

FEWEST_MICS: Final = 2
"""Count of mics beside the reference that make a kit: two drums', or one and another over them (chosen, no source)."""

FEWEST_STROKES: Final = 4
"""Count of own strokes: fewer have no standard deviation by Student's t; with 5, of what is possible on 102 mics of the
real kit's development half 84 and 79 % are gained for 90 and 87 %, and no less is harmed."""

FEW_WINDOWS: Final = 12
"""Count of windows below which levels of bands are only roughly known (chosen, no source)."""

FIRM: Final = 2.0
"""Cost of a decibel lost in a group of bands, in decibels gained of the whole (chosen, no source)."""

FIRST_S: Final = 0.15e-3
"""Seconds, 5 cm, by which another may hear a drum's strokes before its own mic, as the mic of the other head (chosen,
no source)."""

FLOOR_S: Final = 1e-7
"""Seconds, one sigma: no acoustic pair is known better than a tenth of a microsecond (chosen, no source)."""

FOLDS: Final = 8
"""Count of parts of the strokes without each of which a shift is chosen again: so it scatters (chosen, no source)."""

FOLLOWING: Final = 1e-3
"""Weight of a track that follows, against one that pulls: so small that it decides nothing, large enough that the track
has one answer (chosen, no source)."""

GROUPS_HZ: Final = ((40.0, 80.0), (80.0, 160.0), (160.0, 320.0), (320.0, 1250.0), (1250.0, 5000.0))
"""Hertz: groups of bands of which none may lose level, octaves in the lows, where cancelling is heard as thin (chosen,
no source)."""

HARM_DB: Final = -0.3
"""Decibels that no band may lose against as recorded: less is not heard (common practice); without this limit
11 of 191 mics of the real kit's development half lose more, with it one, of a take whose overhead is turned over."""

HEARD_DB: Final = -20.0
"""Decibels under the loudest stroke: softer ones say nothing of how two mics hear a kit (chosen, no source)."""

HEARD_S: Final = (2e-3, 30e-3)
"""Seconds before and after a stroke over which its level in a track is taken: a drum's first periods, and the way from
one mic to another (chosen, no source)."""

HEARS_DB: Final = 25.0
"""Decibels under its loudest stroke down to which a mic hears a stroke of the kit: 20 finds as many pairs (development
half), and moves a mic that 25 leaves in 5 of 64 takes whose names say nothing (development half, seeds 72 to 79); 30
changes nothing in 16 (72 and 73)."""

HEARS_SHARE: Final = 0.5
"""Share of a kit's strokes that one overhead or a room's mic hears: the overheads mostly 0.56 and more, a snare's mics
0.45 and less but in a march (development half)."""

HISS_DB: Final = -45.0
"""Decibels below which the treble of two tracks is their hiss, which tells nothing (chosen, no source)."""

HUBER: Final = 2.0
"""Standard deviations beyond which a residual loses weight (P. J. Huber, Robust Statistics, 1981: 1 to 2)."""

HZ_RANGE: Final = (35.0, 2500.0)
"""Hertz between which a section is looked for: loudspeakers for guitar or bass turn it there (chosen, no source)."""

KNOWN: Final = 0.6
"""Share of the reference's loud strokes that a drum's own mic may have as well: without this limit many of 162 sets of
copies of one sound are taken for a kit, and no mic of the real kit's takes is told otherwise."""

LAID_SIGMA_S: Final = 1e-3
"""Seconds, one sigma, of a place that two arrivals give before it is measured (chosen, no source)."""

LATER_S: Final = 0.5e-3
"""Seconds, 17 cm, by which a drum's own mic hears it before a mic over the kit does, in the middle: with 1 ms, of
48 takes of kick, snare and two overheads 40 pairs are found for 47 (development half)."""

LEAST_COHERENCE: Final = 0.6
"""Ratio, coherence by energy: driven basses of the development half reach 0.70, strangers 0.2."""

LEAST_GAIN: Final = 1e-4
"""Ratio of amplitudes, -80 dB: no pattern has a deeper null in a room (chosen, no source)."""

LEAST_GAIN_DB: Final = 0.1
"""Decibels that a further section must gain on blocks it was not fitted on (chosen, no source)."""

LEAST_HELD: Final = 1e-5
"""Share of a track's power: less in a third octave is its hiss (chosen, no source)."""

LEAST_SHAPE_DB: Final = 2.4
"""Decibels of shape over octaves: cabinets of the development half 2.4 to 6.8 (of 80 one 1.3, two 1.9), rooms to
2.3."""

LEAST_STEADY: Final = 0.53
"""Share, 0 to 1, of how steady notes are: strings 0.58 to 0.93, drums mostly 0.01 to 0.5 (development half)."""

LEAST_SUM_DB: Final = 0.5
"""Decibels of gain that two strangers never come to: their sum gains by chance alone."""

LED_S: Final = 0.3e-3
"""Seconds, 10 cm, by which another mic hears a mic's loudest strokes first, in the middle, where they are of another's
drum: 0.2 to 0.5 keep as many (``score_real.py --only-gain``); no source is so much nearer to another's mic either."""

LIKELY: Final = 0.3
"""Probability from which on a doubtful arrival still says where to look (chosen, no source)."""

LIKELY_ARRIVAL: Final = 0.4
"""Probability of an arrival near the rough place: four driven basses of the development half have 0.5, and are
right."""

LINE_BANDS_HZ: Final = ((60.0, 250.0), (250.0, 1250.0), (1250.0, 5000.0))
"""Hertz: lows, mids and presence, as each way to add a pair up shows them (chosen, no source)."""

LOBE_S: Final = 2e-3
"""Seconds: what lies farther off is another choice and no error of this one (chosen, no source)."""

LOST_DB: Final = 1.0
"""Decibels that a third octave of the whole sum may lose without a word: less is hardly heard (common practice, no
source)."""

LOST_THIRDS_HZ: Final = (45.0, 5600.0)
"""Hertz between which lie the middles of the third octaves in which a lost decibel is told, 50 Hz to 5 kHz (chosen, no
source). With the worst of those up to 250 Hz and of octaves, of 190 that lose 1.5 dB and more in 128 alignments of the
real kit's takes (development half, seeds 72 to 79) 91 are not told."""

LOST_WINDOW_S: Final = 0.01
"""Seconds over which what is cut off is loud: a click counts as what it is, and noise stays within 2 dB of its mean."""

LOUD_DB: Final = -15.0
"""Decibels under the loudest stroke down to which a stroke is loud (chosen, no source)."""

LOUD_HZ: Final = (200.0, 1500.0)
"""Hertz: below, a period is longer than the ways differ; above, drums are louder than strings."""

LOUD_REACH_S: Final = 8e-3
"""Seconds, 2.7 m of air, between two mics on one sound (chosen, no source)."""

LOUD_SHARE: Final = 0.02
"""Share of the loudest span's energy from which on a span is heard (chosen, no source)."""

LOUD_SIGMA_S: Final = 0.15e-3
"""Seconds, one sigma: what it is off there, two different cabinets included (development half)."""

LOUD_TRUST: Final = 0.9
"""Probability that is stated of a place at which the loudest sound meets (chosen, no source)."""

LOWEST_SHARE: Final = 0.1
"""Share of what the tracks have in common below which lie the lowest notes (chosen, no source)."""

LOW_HZ: Final = (60.0, 250.0)
"""Hertz: where a bass or a guitar has its weight, and where a comb is heard as a thin sound (common practice, no
source)."""

MANY_DRUMS: Final = 4
"""Count of drums from which on a mic may be early at one of them, where cymbals hide it (chosen, no source)."""

MARGIN_DB: Final = 0.3
"""Decibels asked of the fit, so that 0.5 dB hold on the rest of the take."""

MEET: Final = 0.4
"""Ratio, coherence of the lows: two overheads of the real kit have 0.49 and more in 32 takes of the development half, a
close mic or a room mic less, or the other sign."""

MEETS_WELL: Final = 0.75
"""Ratio, coherence of the lows: two overheads of the real kit have 0.65 to 0.8; two mics that meet better stand side by
side, which has a weight of its own (`OVER_WEIGHTS`)."""

MEET_S: Final = 0.6e-3
"""Seconds, 20 cm: two overheads hang equally far from the snare to this (common practice, no source); those of the real
kit meet at 0.3 to 0.5 ms."""

MOST_ALIKE: Final = 0.93
"""Ratio, likeness of all pairs of frames: tones that never change reach 1 (chosen, no source)."""

MOST_BINS: Final = 400
"""Count of the strongest frequencies that sections are fitted on: a string's energy lies in few."""

MOST_GROUP_DELAY_S: Final = 20e-3
"""Seconds, below the 24 ms of a bass's lowest period: a note's beginning is not torn from its body."""

MOST_LATE_S: Final = 2.5e-3
"""Seconds, 90 cm, farther from a drum than its own mic: beyond, none is more over the kit (chosen, no source)."""

MOST_OVER_S: Final = 4.5e-3
"""Seconds, 1.5 m: a pair that is farther behind every drum's own mic likely stands in the room (those of the real kit
5.8 ms and more, its overheads 4.2 ms and less), and no mic whose arrival is in doubt is looked for farther off: a kick
half a period late sums as well."""

MOST_OWN: Final = 0.95
"""Share of a track's strokes above which its level over the reference is its own drum's (chosen, no source)."""

MOST_RIVAL: Final = 0.75
"""Ratio of another place in the wide search to the best: the development half reaches 0.6, a loop 0.9 and more."""

MOST_ROUGH: Final = 0.035
"""Ratio, roughness of neighbouring bins: flat cabinets to 0.031, rooms that matter from 0.040 (development half)."""

MOST_SECTIONS: Final = 2
"""Count of all-pass sections at the most: each costs group delay (chosen, no source)."""

MOST_STROKES: Final = 64
"""Count: so many strokes, evenly chosen, show how lows meet; more make it slower and no surer."""

NEAR_ROUGH_S: Final = 0.012
"""Seconds about the rough place in which the arrival is looked for: four driven basses of the development half lie 12
ms off."""

ONE_OVER: Final = 0.7
"""Probability from which one track is over a kit though its mate is in doubt, as where a mic of a ride that is not
struck hangs beside it. Of 2,441 sets of mics of takes of the real kit (development half, seeds 44 to 48, 72 to 78 and
80 to 83; ``fit_over.py``) 1,799 are so laid onto an overhead and 32 onto another mic near the drums; 1,757 and 43
without it and by whichever of a pair comes first; 0.65 makes that 1,801 and 34."""

OPEN_S: Final = 0.3e-3
"""Seconds that a way round may stay open, 10 cm of air (chosen, no source)."""

MOST_SPREAD_DB: Final = 40.0
"""Decibels of spread beyond which two mics are no less a pair over a kit (chosen, no source)."""

OVER_DB: Final = 8.0
"""Decibels of spread: two overheads of the real kit have 0.9 to 7.3, its close mics 15 to 56 in the middle."""

OTHERS_DB: Final = 2.0
"""Decibels by which a mic must be louder at its own strokes than at another's, against that other, or they are the
other's: of 64 takes of the real kit's development half (seeds 30 to 37) 20 mics whose drum is not struck were moved
and 3 are, of 279 that stand at a struck drum none is kept; 1.5 to 4 do the same, and so do what other styles or other
drums choose (``score_real.py --only-gain``)."""

OVER_CHANCE: Final = 0.5
"""Probability above which two mics are over a kit: likelier than all other answers together."""

OVER_WEIGHTS: Final[dict[str, float]] = {
    "one": -0.144,
    "spread": -0.736,
    "meets": 7.37,
    "beside": -20.1,
    "late": 0.949,
    "far": -3.25,
}
"""Of the log odds of two mics over a kit against none, for each: decibels by which strokes differ between them, how
their lows meet, by how much better than `MEETS_WELL`, milliseconds after the drums' own mics (`MOST_LATE_S`), and
beyond `MOST_OVER_S`. Fitted by ``tests/bench/delay/fit_over.py``."""

OWN_DB: Final = 9.0
"""Decibels under the highest level over the reference down to which a stroke is a mic's own: on 171 mics of the real
kit's development half 3 are harmed and 97 / 76 % gained, without 5 and 98 / 75 %; 7 and 12 harm as many."""

OWN_M: Final = 0.3
"""Metres within which a mic is at a source: close mics of kits mostly are, and no mic over one (common practice, no
source)."""

PARTED_DB: Final = 7.5
"""Decibels between a mic's own strokes and its bleed below which they may all be bleed: of 82 mics of struck drums of
the real kit none is left for that, of 57 others 33 are; 7 leaves 29, 8 leaves 36 and 2 struck ones (development
half)."""

PARTED_WELL_DB: Final = 15.0
"""Decibels between own strokes and bleed from which on they are the mic's own, whoever hears them first, as of the
farther of two mics at one drum: those of the same 20 mics stand out by 12 at the most (chosen, no source)."""

PAUSELESS: Final = 100.0
"""Ratio of powers, 20 dB: a floor that is a bound may lie so far too high (`micalign.take.noise`)."""

PERHAPS: Final = 0.1
"""Probability from which on another pair may be that over the kit where the likeliest comes later, as a room's does
(chosen; 0.03 says the same of 560 sets of mics of 40 takes, development half)."""

PERIODS: Final = 0.4
"""Share of a period of a bass's lowest notes that the best sum may lie off the arrival: less than half, so that no
choice is a period off."""

PLAINLY_S: Final = 1.5e-3
"""Seconds, more than the converters of one interface differ by (common practice, no source)."""

PLAINLY_STEADY: Final = 0.57
"""Share, 0 to 1, of how steady a track is that is no drum's where it is dark as well: in takes of a real kit none is so
but the mics in the room (development half), basses and guitars in a live room are 0.72 to 0.92 (`studio`, 30 to 49)."""

Q_RANGE: Final = (0.2, 3.0)
"""Ratio of a section's frequency to its width, between which it is looked for (chosen, no source)."""

REACH_S: Final = 10e-3
"""Seconds, 3.4 m of air: farther from its drum no overhead stands (common practice, no source)."""

RISES: Final = 0.95
"""Share of the strokes of the drums' own mics at which an overhead's or a room mic's level rises: so often and oftener
those of the real kit do (development half)."""

RISE_S: Final = 0.14e-3
"""Seconds, one sigma: where a loudspeaker's response begins is a matter of definition to this (development half)."""

ROOM_S: Final = 2e-3
"""Seconds, 70 cm, by which a room mic hears the kit after the overheads; those of the real kit 2.5 ms and more."""

ROUGH_BAND_HZ: Final = (40.0, 5000.0)
"""Hertz between which two tracks are roughly brought together: what a loudspeaker gives back (chosen, no source)."""

ROUGH_S: Final = 5e-3
"""Seconds, one sigma of an arrival that only the rough search gave: a bass's lobes are up to 7 ms apart."""

SAME_BEGINNING: Final = 0.75
"""Probability of a delay at the place that loudness tells from which on a file began there: 47 of 60 late tracks of the
development half of the real kit have more; of 120 tracks of another song the highest has 0.68."""

SAME_S: Final = 0.03
"""Seconds within which two tracks' strokes are one stroke: 10 m of air (chosen, no source)."""

SCATTER_S: Final = 1e-3
"""Seconds beside the best sum within which parts of the strokes may choose another one: that is its scatter, beyond is
another choice (chosen, no source)."""

SECTIONS_REACH_MS: Final = 4.0
"""Milliseconds about the arrival for the delay beside sections: these hold the lows back, so that the delay itself
stays near."""

SHARED_PIECES: Final = 0.15
"""Share of pieces that agree on one start from which on a file began there, whatever `SAME_BEGINNING` says: with it 51
of the 60 are told; of the 120 of another song every one has 0. Of takes that neither number has seen (the held-out
half) 33 of 48 late tracks are told, all where they are, and of 48 of another song none; without loudness 2 are told
(``tests/bench/alignment/late_files.py``)."""

SHORTEST_S: Final = 1.0
"""Seconds of both tracks: shorter ones hold no notes to compare (chosen, no source)."""

SOFT_DB: Final = -10.0
"""Decibels of a mic's loudest millisecond under that of the softer overhead from which on nothing of its own is played:
of 221 mics of the real kit's drums that are not struck 182 are left as recorded for 121, of 187 that are struck no more
(development half; these are -6 dB and louder, at the gains that they were recorded with). A mic louder than the louder
overhead by as much is at a drum: 16 other takes reach 109 and 91 % of the possible gain so, without it 104 and 89."""

STEADY_STEPS: Final = 8
"""Count of steps over which a note is steady or not, a third of a second (chosen, no source)."""

STEADY_STEP_S: Final = 0.043
"""Seconds of a step of loudness: a drum's energy is gone in two or three (chosen, no source)."""

STROKE_BANDS_HZ: Final = ((60.0, 250.0), (250.0, 2000.0))
"""Hertz: where a drum has its weight, and where it has its body; above, two mics meet in no phase to speak of (chosen,
no source)."""

SURELY: Final = 1.64
"""Standard deviations by strokes that a gain must lie above a loss, 95 in 100 (common practice): 100 / 74 % of what is
possible is gained on 191 mics of the real kit's development half, none is harmed by its shift; with 1.28 one is."""

UNLIKELY: Final = 0.25
"""Probability of a delay below which no place that was looked at fits (chosen, no source)."""

TURN_DB: Final = 2.0
"""Decibels of both bands together by which a best sum must be better than a sure arrival of the other polarity. Under
one overhead of a real kit (development half, 16 takes) it leaves one mic of 28 turned over against the truth and one
over 1 ms off, where `WORTH_DB` leaves two and two, and reaches 79 and 81 % of the possible gain where that reaches 83
and 80; under two the shares stay. `measure` and `align` tell different polarities less often."""

UNSURE_WORTH_DB: Final = 1.0
"""Decibels of both bands together that a place must gain of which no arrival says anything (chosen, no source)."""

USUAL_S: Final = 0.05
"""Seconds: the usual largest delay; who asks for less is not overruled by a wider search."""

WHITENING: Final = 0.7
"""Share, as an exponent, to which a cross-spectrum is flattened: a string's few strong harmonics neither rule nor drown
in hiss (chosen, no source)."""

WIDER_DB: Final = 3.0
"""Decibels of treble by which one of two tracks is plainly the wider one (chosen, no source)."""

WIDE_S: Final = 2.0
"""Seconds: how late a re-amped track is looked for where nothing nearer fits; beyond, as a largest delay, a track is
another recorder's, found by loudness first (chosen, no source)."""

WINDOW_S: Final = 0.34
"""Seconds: long against what a room sends back of a cabinet near a mic, and the lowest string's 24 ms."""

WORTH_DB: Final = 0.5
"""Decibels of both bands together by which the best sum must gain, and be better than the arrival: 0 gains 1 % more of
what is possible in them (development half), and leaves the arrival, which suits what lies above them, for nothing."""

WORTH_SECTIONS_DB: Final = 0.5
"""Decibels that sections must gain over the best sum to be advised (chosen, no source)."""
