"""``python -m tests.mutations``: see `mutations.command`."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from mutations.command import main

if __name__ == "__main__":
    main()
