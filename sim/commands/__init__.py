"""One file a command: parse, ask one question, print, exit code. No arithmetic here."""
