"""The faces of the engine: command line, later HTTP and pages; no file here knows what a fault is."""
