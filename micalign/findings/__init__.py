"""Numbers turned into advice: a table of rules, each with its source. Pure."""
