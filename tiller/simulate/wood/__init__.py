"""Pictures of logs and staves, for the rack in software."""
