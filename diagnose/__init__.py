"""The diagnosis engine: readings in, assessment out; no web server and no database needed."""
