"""A rack in software: pictures and serial lines with known truth."""
