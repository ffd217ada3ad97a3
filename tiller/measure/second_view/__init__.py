"""The bow seen from its belly: how it lies, what its pictures say together, what is to be done about it."""
