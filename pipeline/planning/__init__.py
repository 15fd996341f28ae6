"""Plans: how many looks are enough, and what so many prove."""
