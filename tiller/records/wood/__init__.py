"""What was found of logs and staves before the rack, in the shop's book."""
