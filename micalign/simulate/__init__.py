"""The take that a scene would give: sounds, a score, the way through the room, and the true delays beside it."""
