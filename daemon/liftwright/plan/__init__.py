"""Where the nozzle should go: travels, terrain, lifts, time."""
