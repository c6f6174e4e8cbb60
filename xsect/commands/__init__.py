"""The commands of the command line: each parses, calls the library and prints; none computes."""
