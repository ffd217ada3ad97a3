"""What happens at the rack: recordings, sources, the measurement of a pull."""
