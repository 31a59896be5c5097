"""Evidence: jobs seen, tried fairly and judged, and the machine measured."""
