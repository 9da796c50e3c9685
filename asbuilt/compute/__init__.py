"""Arrays in, arrays out: no file, print, clock, plot or command line."""
