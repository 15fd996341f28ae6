"""``python -m data_demo`` writes the invented portfolios again, the same bytes each time."""

from __future__ import annotations

from data_demo.portfolios import write_all

if __name__ == "__main__":
    write_all()
