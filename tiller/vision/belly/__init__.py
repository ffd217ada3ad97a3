"""A strung bow seen from its belly: the wall's pose by printed sheets, both edges of each limb, the string."""
