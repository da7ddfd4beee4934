"""Makes the recordings in `examples/recordings/`: three good runs of harlow-basin and ten in which one thing goes
wrong. All is simulated on virtual time from a seed, so that anyone gets the same files:

    python -m examples.make_recordings [FOLDER]
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

from examples.faults import FAULTS
from examples.yard_on_virtual_time import run

GOOD_SEEDS = (1, 2, 3)
BAD_SEED = 7
FOLDER = Path(__file__).parent / "recordings"


def make(folder: Path) -> None:
    """Write all recordings, and `faults.json`: what the simulator knows of each fault."""
    folder.mkdir(parents=True, exist_ok=True)
    for seed in GOOD_SEEDS:
        run(folder / f"good-{seed}.ywrec", seed)
    told = {}
    for name, planted in FAULTS.items():
        yard = run(folder / f"{name}.ywrec", BAD_SEED, planted.fault, supervisor=planted.supervisor)
        began = yard.log[0]
        told[name] = {
            "planted": planted.says,
            "began_s": began.at_ms / 1000,
            "before_message": began.number,
            "what": began.what,
        }
    (folder / "faults.json").write_text(json.dumps(told, indent=2) + "\n", encoding="utf-8")


if __name__ == "__main__":
    make(Path(sys.argv[1]) if len(sys.argv) > 1 else FOLDER)
