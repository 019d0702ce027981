"""Every number of the rules and remedies that was chosen: unit, reason, and who set it.

What placement charges as well as the rules warn of it stands in `micalign.acoustics.tuned`. The rules' own sources are
those of their table (`micalign.findings.rules`); the efforts of remedies and the limits named below are common practice
without a source; what else has no reason beside it was set by hand.
"""

from __future__ import annotations

from typing import Final

# What the rules speak of

UNHEARD_DB: Final = -20.0
"""Decibels against a mic's own sound: what is weaker is not heard in the mix (common practice, no source)."""

REAR: Final = 0.05
"""Share of the amplitude on the axis: a lobe weaker than this is a null."""

LOUD_BLEED_DB: Final = -10.0
"""Decibels against a close mic's own source: louder bleed is heard in the mix (common practice, no source)."""

ROOM_DB: Final = 3.0
"""Decibels that the room adds to bleed from which neither aim nor angle helps: it then brings as much as the way
itself."""

TURN_DEGREES: Final = 30.0
"""Degrees that a mic may look past its own source: a cardioid then hears it 0.6 dB less."""

NULL_GAIN_DB: Final = 6.0
"""Decibels less of the loudest other source that make a turn worth a walk to the stand (common practice, no source)."""

COMB_DB: Final = -6.0
"""Decibels of the notch from which a comb is heard as a change of sound: the sum halved (common practice, no
source)."""

BROUGHT_UP_M: Final = 0.3
"""Metres within which a mic that would be brought up by more than half its way still counts as a close one (common
practice, no source)."""

OPPOSITE_M: Final = 0.5
"""Metres: two mics on opposite sides of a source that are both nearer than this face one drum, one cabinet (common
practice, no source)."""

OPPOSITE_DEGREES: Final = 120.0
"""Degrees between two mics, seen from their source, from which they face opposite sides of it (common practice, no
source)."""

DI_APART_S: Final = 100e-6
"""Seconds between a DI and the mic on its source from which a shift is worth while: the first notch is at 5 kHz."""

STRONG_DB: Final = -6.0
"""Decibels against the direct sound: a stronger reflection is a warning, its notch halves the sum (common practice, no
source)."""

HEARD_DB: Final = -10.0
"""Decibels against the direct sound: a weaker reflection ripples the sum by no more than +2.4 and -3.3 dB (common
practice, no source)."""

TYPICAL_S: Final = 40e-6
"""Seconds, one standard deviation by which a reflection's delay is shown: what 1 cm at each end makes of it."""

FAR: Final = 2.0
"""Ratio: a mic that much farther from its source than another one is there to be far (common practice, no source)."""

NEAR_SURFACE_M: Final = 0.5
"""Metres: a mic nearer to a wall or the ceiling than this is looked at (common practice, no source)."""

FLUSH_M: Final = 0.02
"""Metres: nearer than this a mic is meant as one on the boundary."""

MONO_NOTCH_DB: Final = -6.0
"""Decibels of the notch from which a pair's mono sum is heard to lose a source: as `COMB_DB`."""

UNEVEN_M: Final = 0.05
"""Metres between the heights of a pair that still hangs level (common practice, no source)."""

OVER_M: Final = 0.3
"""Metres above all that both mics take from which a pair hangs over it (common practice, no source)."""

LIFT_HZ: Final = 100.0
"""Hertz at which the bass lift of a near voice is reported (common practice, no source)."""

LIFT_DB: Final = 6.0
"""Decibels of bass lift from which a voice sounds close (common practice, no source)."""

AIR_LOSS_DB: Final = 1.0
"""Decibels at 8 kHz that the air takes from which it is worth knowing (common practice, no source)."""

OVERHEAD_M: Final = 1.7
"""Metres over the floor: a mic as high as this hangs over people's heads (common practice, no source)."""

ABOVE_M: Final = 0.3
"""Metres over its lowest source from which a high mic hangs over it, and is not merely before a standing mouth."""

MOST_FAILURES: Final = 3
"""Count of failures of one rule that are listed; the last says how many more there are."""

# What is proposed, and what it costs: metres of carrying a stand

FLIP_M: Final = 0.01
"""Metres of carrying a stand that a flip of polarity is worth: nearly free."""

TURN_M: Final = 0.02
"""Metres of carrying a stand that a turn is worth."""

PAIR_TURN_M: Final = 0.05
"""Metres of carrying a stand that turning a whole pair is worth."""

FACED_M: Final = 0.1
"""Metres of carrying a stand that facing each mic of a pair to one source is worth: its stereo goes."""

PATTERN_M: Final = 0.6
"""Metres of carrying a stand that another pattern is worth: another mic has to be fetched."""

ROUGH_M: Final = 0.1
"""Metres, one standard deviation: a place so badly known was guessed, and a move of it is said as roughly (chosen)."""

HANG_M: Final = 0.8
"""Metres of carrying a stand that bringing and hanging something is worth."""

LEVEL_M: Final = 1.2
"""Metres of carrying a stand that a level which is not the one wished is worth; so are two new patterns for a pair."""

UNASKED_M: Final = 2.0
"""Metres of carrying a stand more that it costs to move a mic which the scene does not let move, where its partner
may."""

TWO_STANDS: Final = 1.2
"""Ratio by which moving two stands is more work than one carried as far as both."""

TO_WALL_M: Final = 0.1
"""Metres that a moved mic keeps to a wall, or what it keeps now (common practice, no source)."""

TO_FLOOR_M: Final = 0.05
"""Metres that a moved mic keeps to the floor, or what it keeps now (common practice, no source)."""

KEEPOUT_SPARE_M: Final = 0.005
"""Metres that a moved mic keeps to a keep-out, so that nobody's tape finds it inside."""

OUT_SPARE_M: Final = 0.02
"""Metres beyond a keep-out to which its shortest way out leads."""

OUT_FURTHER_M: Final = 0.3
"""Metres, beyond twice that way, within which other ways out are looked for."""

FARTHEST_M: Final = 1.5
"""Metres that a mic of a pair is moved at most to make it equal (common practice, no source)."""

MOST_LOWER_DB: Final = 6.0
"""Decibels that a mic is blended lower at most: more, and it is not in the blend (common practice, no source)."""

THICK_M: Final = 0.05
"""Metres: the thickness of the absorber that is proposed."""

FLAT_M: Final = 0.005
"""Metres over the floor at which a mic laid on it has its capsule."""

ROUND_M: Final = 0.4
"""Metres: nothing is laid under or hung behind what stands within so much of it."""

FAR_KEEPS: Final = 0.9
"""Share of its distance that a far mic keeps when it is moved from a reflection: it is there for that."""

NEAR_KEEPS: Final = 2 / 3
"""Share of its distance that a close mic keeps when it is moved from a reflection."""

AIM_AHEAD_M: Final = 0.3
"""Metres before a mic at which the point is set that a turned pair looks at."""

NULL_AIM_AHEAD_M: Final = 0.15
"""Metres before a close mic at which the point is set that it looks at, short of its source."""

LINE_STEPS: Final = 60
"""Count of steps along the line to a source that are tried: 60 cm, or 15 inches."""

BOUNCE_STEPS: Final = 40
"""Count of steps along that line where a reflection or the bass of a voice is to be mended: 40 cm, or 10 or 20
inches."""

OTHER_WITHIN_M: Final = 0.6
"""Metres within which the other mic is moved for three to one."""

CLEARED: Final = 1.02
"""Ratio by which a remedy clears a limit, so that rounding to whole centimetres does not undo it."""

CLEARED_DB: Final = 0.02
"""Decibels by which a remedy against a reflection clears a limit, for the same reason."""

BLEND_CLEARED_DB: Final = 0.1
"""Decibels by which a lower level in the blend clears a limit, before it is rounded up to whole ones."""

SOON_ENOUGH: Final = 0.999
"""Share of the time to a second hit that a moved mic uses, for the same reason."""

# How much is tried

TRIED: Final = 6
"""Count of places that a remedy proposes."""

LIKE_PLACES: Final = 0.3
"""Share of a move's length within which another place is a near neighbour, and not proposed."""

NEWTON_STEPS: Final = 12
"""Count of steps towards a place of equal distances: it squares what is missing at each."""

THERE_M: Final = 1e-6
"""Metres missed below which one more such step leaves next to nothing."""

FINE_M: Final = 1e-4
"""Metres: coordinates are given to the tenth of a millimetre, as they are written."""

MOST_OF_ONE: Final = 16
"""Count of remedies of one finding that are tried, the least effort first."""

MOST_TRIALS: Final = 150
"""Count of remedies that are tried in one scene at most: all those of a band's."""

WORK: Final = 250_000
"""Count of array elements, about so many, in all trials together: some 300 ms."""

ON_FLOOR_M: Final = 0.01
"""Metres over the floor below which a mic counts as laid on it."""

CHARGES: Final = {"problem": 100.0, "warning": 10.0}
"""Cost of a finding beside the terms of a placement: a warning more than three units missed of any of them, a problem
as much as a pair that is a tolerance out (common practice, no source)."""

MOST_MOVES: Final = 8
"""Count of moves that are tried one after the other against what the rules still warn of."""

FARTHEST_APART_M: Final = 100.0
"""Metres between two things of a scene without a room, beyond which another unit is likelier (chosen, no source)."""

FITS_UNIT: Final = 0.03
"""Natural log of a ratio, some 3 %, within which every tape must agree with the positions in another unit (chosen, no
source)."""

QUITE_ANOTHER: Final = 5.0
"""Ratio of two units from which on a room's size tells them apart: rooms differ by as much (chosen, no source)."""

ROOM_SIDES_M: Final = (1.0, 60.0)
"""Metres of a room's side, from and to: beyond, it is asked whether another unit makes a usual room of it (chosen, no
source)."""

USUAL_HEIGHT_M: Final = 1.8
"""Metres: somebody stands in a usual room (chosen, no source)."""

USUAL_SIDES_M: Final = (1.2, 30.0)
"""Metres of a usual room's side, from and to: a booth and a hall (chosen, no source)."""
