"""Files of the kind that go in silently wrong, with what they truly say: the only pass is none."""
