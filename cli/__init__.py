"""The command line of weldwindow: thin; the library does the work."""
