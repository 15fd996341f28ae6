"""Small pieces that several screens share."""
