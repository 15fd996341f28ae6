"""Pages for paper: HTML that stands alone and prints well on A4 and Letter."""
