"""Before the heat goes on: the time, the place, the probe, the batch, the start."""
