"""What stands in the room: sources, mics, DIs, walls and the words of the scene file; values without arithmetic."""
