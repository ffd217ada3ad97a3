"""The window at the rack (Dear PyGui): shows what ``rack.live`` sees, hands orders on; measures nothing itself."""
