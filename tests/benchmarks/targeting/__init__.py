"""How many dangerous openings are found in so many crew hours, by whose order."""
