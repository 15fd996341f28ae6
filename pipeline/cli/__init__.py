"""The command line: everything that screens can do, for people and for scripts."""
