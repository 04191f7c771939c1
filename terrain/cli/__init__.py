"""The command line: one file a command, each of which parses, calls one function and prints."""
