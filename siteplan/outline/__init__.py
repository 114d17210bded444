"""From traced outlines to the runs and legs that take edging."""
