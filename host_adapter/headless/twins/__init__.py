"""`footroom compare`: two recordings of one take, brought together in time and place, and what lies between their codes."""
