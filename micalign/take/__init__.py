"""What was recorded: tracks of one sample rate, handed out in blocks, and whether they are sound."""
