"""An invented scenario to look at: its generator and its loader."""
