"""Two tracks of one performance with one path between them: a DI and its amplifier, a DI and the mic on its cabinet.

Conventions: ``first`` and ``second`` are tracks of one rate; a delay is positive when the second is later, in seconds
on the take's clock; polarity is +1 or -1, that of the second. Gains are coherent gains in decibels (energy of the sum
against the sum of the energies) with both tracks brought to equal loudness. Constants were fitted on the development
half of ``tests/bench/alignment`` and are reported on the other half.

Flow: `frames` (roughly where, and spectra there), `recognise` (is it such a pair, and which is the DI),
`bestsum` (the delay and polarity to act on), `allpass` (what a filter adds), `pair` (all of it, and what is advised),
`several` (more than two tracks).
"""
