"""The operator's YAML: schema, loading, matching."""
