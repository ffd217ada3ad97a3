"""From serial lines to newton."""
