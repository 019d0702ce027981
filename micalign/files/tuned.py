"""Every limit of files that somebody chose: unit and reason; what a format or a system fixes stands where it is used.

Limits on what is read keep a damaged or foreign file from filling the memory or the day: each lies far above what an
honest file holds, and none was fitted (all chosen, no source, where nothing else is said). ``tests/files`` and
``tests/fuzz`` hold what happens beyond them, ``tests/bench/files`` prints what blocks and pages cost.
"""

from __future__ import annotations

from typing import Final

# What is read of audio.

LEAST_RATE_HZ: Final = 1000
"""Hertz: below it there is no sound to measure: a damaged header, or no audio."""

MOST_RATE_HZ: Final = 10_000_000
"""Hertz: far above every converter of sound."""

MOST_FRAMES: Final = 1 << 48
"""Samples: more is a length that is not known, for which decoders say 2^63 - 1."""

MOST_FULL_SCALES: Final = 1e10
"""Ratio to full scale: floats written as 32-bit integers reach 2e9; more is a damaged file."""

MOST_CHUNKS: Final = 4096
"""Count of chunks of a file: a real one has some dozens."""

MOST_BLOCKS: Final = 1024
"""Count of blocks of metadata of a FLAC."""

LARGEST_METADATA_BYTES: Final = 16 << 20
"""Bytes of all chunks that are carried over: what is larger is no text about a recording."""

LEAST_LOST_FRAMES: Final = 1024
"""Samples behind what a header says that make a lost recording: less is padding or rubbish."""

LEAST_LOST_BYTES: Final = 4096
"""Bytes, likewise, of a file whose samples are not counted."""

STREAMED_BYTES: Final = 0x7FFFF000
"""Bytes: from here on a size of compressed audio only says that its writer did not know it."""

PAGE_FRAMES: Final = 1 << 16
"""Frames of a decoded page, 1.4 s at 48 kHz: a block that is asked for is a few of them; of a plain file the samples of
all its channels together, since what lies before a place in it costs nothing."""

CACHE_BYTES: Final = 48 << 20
"""Bytes of kept pages: a block of 2^18 samples of a 24-channel file in 32 bits, and its neighbours."""

MOST_PAGES: Final = 6
"""Count of stretches of `PAGE_FRAMES` that are kept of a file at most."""

# What is written of audio.

WORKERS: Final = 2
"""Count of files written at once: one reads and filters while another encodes; more only wait for the disk."""

BLOCK_VALUES: Final = 1 << 16
"""Count of values of all channels in a block that is moved and written."""

LEAST_BLOCK_FRAMES: Final = 4096
"""Samples of such a block at least, however many channels."""

SIMULATED_VALUES: Final = 1 << 20
"""Count of values of all channels in a block of a simulated take, 8 MiB."""

LAST_FRAMES: Final = 1024
"""Samples read back from the end of what an encoder wrote: it keeps the failures of its last flush to itself."""

NARROW_BYTES: Final = (1 << 32) - (1 << 24)
"""Bytes of audio in a container of 32-bit sizes: 16 MiB of 4 GiB are left to its metadata."""

DITHER_SEED: Final = 1
"""Count that seeds the dither of a page's sounds and of previews: one and the same makes them the same in every run."""

# Documents.

LARGEST_SCENE_BYTES: Final = 1_000_000
"""Bytes of a scene file: more was meant to be another file."""

LARGEST_OFFSETS_BYTES: Final = 10_000_000
"""Bytes of an offsets file: one of `MOST_TRACKS` has a tenth."""

LARGEST_HEAD_BYTES: Final = 1 << 28
"""Bytes of what describes a set, or keeps what is done of songs: an hour of every source's moments is a hundredth."""

MOST_SONGS: Final = 1000
"""Count of songs in one run."""

MOST_TRACKS: Final = 1024
"""Count of tracks of one set, and channels of one file: as many as a decoder takes."""

MOST_FILES: Final = 8192
"""Count of files that an offsets file lists."""

LONGEST_TEXT: Final = 4096
"""Count of characters of a name or path in an offsets file: as many as common systems take for a path."""

FAULTS_SHOWN: Final = 20
"""Count of faults of an offsets file in one message (chosen by eye)."""

MOST_SHIFT_S: Final = 120.0
"""Seconds: what is further apart was not recorded together; and a shift writes as much silence."""

MOST_DRIFT_PPM: Final = 1000.0
"""Ratio in parts per million between two clocks: more was measured wrongly, or edited."""

MOST_HEADROOM_DB: Final = 60.0
"""Decibels: more would leave ten of sixteen bits unused."""

MOST_SECTIONS: Final = 8
"""Count of all-pass sections on a track."""

LOWEST_HZ: Final = 5.0
"""Hertz of an all-pass: it rings for some 5 Q / f, with `HIGHEST_Q` 20 s at the most."""

HIGHEST_HZ: Final = 100_000.0
"""Hertz of an all-pass: far above every sound."""

HIGHEST_Q: Final = 20.0
"""Ratio Q of an all-pass: see `LOWEST_HZ`."""

UNEDITED_SAMPLES: Final = 0.6
"""Samples between a shift and what stood there within which nobody edited it: rounding to whole ones is up to half."""

AGREE_SAMPLES: Final = 1e-3
"""Samples within which two words for one shift agree: it is written to as many digits."""

HEARD_DB: Final = 0.05
"""Decibels: what the whole sum gains and a table shows, to a tenth."""

# Names and places.

MOST_NAMES: Final = 10_000
"""Count of names of a folder that are looked through for the one that was meant."""

SKIPPED_SHOWN: Final = 8
"""Count of skipped files named in one sentence before the rest are counted (chosen by eye)."""

LONGEST_SUFFIX: Final = 64
"""Count of characters of a suffix."""

LONGEST_SLUG: Final = 60
"""Count of characters of a source's name in a preview's."""

# Whole files and sets.

PIECE_BYTES: Final = 1 << 20
"""Bytes that are moved or hashed at a time."""

HEAD_BYTES: Final = 1 << 16
"""Bytes of a file's beginning in which the mark of the program that wrote it is looked for."""

PDF_TAIL_BYTES: Final = 1 << 12
"""Bytes of a PDF's end, where its writer's name stands."""

PATIENCE_S: Final = 60.0
"""Seconds that another run's set is waited for; it may be a long take's."""

PAUSE_S: Final = 0.1
"""Seconds between two looks whether it is done."""

ROOM_KEPT_BYTES: Final = 1 << 20
"""Bytes of the disk beyond a set's own: folders, journal and what the file system adds."""
