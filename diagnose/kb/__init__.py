"""From YAML files to one checked KnowledgeBase: reader, schema, lint, load."""
