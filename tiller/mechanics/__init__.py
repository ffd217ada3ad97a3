"""Pure functions over arrays: bend, statics, stiffness, strain, marks. No files, clocks or printing."""
