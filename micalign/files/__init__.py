"""The only folder that touches the disk: scenes, audio and results in, whole files or nothing out."""
