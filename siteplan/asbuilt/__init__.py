"""What came back from the field, held against the plan: ticks, tapes, survey points, stock, hours."""
