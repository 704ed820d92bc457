"""The job at hand: its state, its history, and where it is kept."""
