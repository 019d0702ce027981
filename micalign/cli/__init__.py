"""The command line, a thin skin: parse, call, print, exit status. The only folder that imports click and prints."""
