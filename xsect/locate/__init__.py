"""Where things are: parts, faying line, strip, stations."""
