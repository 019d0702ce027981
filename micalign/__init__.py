"""micalign: microphones around a sound, and what happens when they are added together."""

from __future__ import annotations

__version__ = "0.1.0"
