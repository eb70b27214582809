"""The faces of the engine: the command line, later HTTP and pages; none knows what a fault is."""
