import sys
from pathlib import Path

# What screen tests share is theirs; here one screen is asked for the same list.
sys.path.append(str(Path(__file__).parents[1] / "dashboard"))
