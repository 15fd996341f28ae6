"""Named questions that only screens ask, each answered with a frame of documented columns.

Reading order: ``reader`` (an open warehouse, with what screens ask most already put together),
``selection`` (what a list is narrowed by), then one module a screen. ``tables`` writes frames to
files. Nothing here draws, and nothing on a screen computes.
"""
