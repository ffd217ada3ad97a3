"""From a recording to a stored result: the pipeline of a measurement."""
