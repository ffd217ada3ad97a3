"""Papers that sheets are printed on, true to scale, and the bar that shows whether they were."""

PAPERS_MM = {"a4": (297.0, 210.0), "letter": (279.4, 215.9)}
"""ISO 216 A4 and ANSI/ASME Y14.1 Letter, landscape: width and height."""
CHECK_MM = 100.0
"""Length of the check bars."""
