"""The main job on large files, stage by stage: seconds, rows a second and peak memory.

Run ``python -m tests.benchmarks --help``. Nothing here is collected by pytest.
"""
