"""Whether a board is sound: what was measured over its link, and which faults that shows."""
