"""Pictures of logs and staves."""
