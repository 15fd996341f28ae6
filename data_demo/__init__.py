"""Invented portfolios with known truth: for the demonstration, for tests and for benchmarks."""

from data_demo.generator import Portfolio, generate

__all__ = ["Portfolio", "generate"]
