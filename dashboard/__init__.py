"""Screens over the warehouse; computes nothing itself."""
