"""Values turned into matplotlib figures, returned and never shown. The only folder that imports matplotlib."""
