"""What the shop has: staves, bows in work, finished bows, and what is next for each."""
