"""A process that writes comments as fast as it can; run by the tests of concurrent writing.

    python writers.py URL NUMBER EVENTS

Writes to findings that every other process writes to as well, and prints each event's finding and
sequence once it is acknowledged.
"""

import random
import sys

from pipeline.ledger import open_ledger
from pipeline.ledger.events import Commented


def main(url, number, events):
    ledger = open_ledger(url)
    ids = sorted(ledger.heads())
    pick = random.Random(number)
    for count in range(events):
        finding = pick.choice(ids)
        payload = Commented(text=f"{number}/{count}")
        event = ledger.append(finding, payload, who=f"writer {number}", origin="cli")
        sys.stdout.write(f"{event.finding_id} {event.sequence} {number}/{count}\n")
        sys.stdout.flush()


if __name__ == "__main__":
    main(sys.argv[1], int(sys.argv[2]), int(sys.argv[3]))
