"""The pure parts touch nothing outside; and each way out that the check knows is found where it is planted."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.architecture.purity import LOADERS, ROOT, impurities, pure_files

WAYS_OUT = {
    "open": "def f():\n    return open('x')\n",
    "print": "def f():\n    print('x')\n",
    "input": "def f():\n    return input()\n",
    "eval": "def f():\n    return eval('1')\n",
    "exec": "def f():\n    exec('import time')\n",
    "import by name": "import importlib\n\n\ndef f():\n    return importlib.import_module('time')\n",
    "import by built-in": "def f():\n    return __import__('socket')\n",
    "a path": "from pathlib import Path\n",
    "a file": "def f(path):\n    return path.read_text()\n",
    "the environment": "def f(os):\n    return os.environ['HOME']\n",
    "chance of its own": "import random\n\n\ndef f():\n    return random.randint(0, 1)\n",
    "chance by name": "from random import choice\n",
    "a generator without a seed": "from random import Random\n\nrng = Random()\n",
    "the date": "from datetime import datetime\n\nnow = datetime.now()\n",
}


def test_pure_parts_touch_nothing_outside() -> None:
    assert not impurities(ROOT), "\n".join(map(str, impurities(ROOT)))


@pytest.mark.parametrize("way", WAYS_OUT)
@pytest.mark.parametrize(
    "part", ["protocol", "reference_node/roles", "conformance/suite/cases", "conformance/oracle"]
)
def test_a_way_out_is_found(tmp_path: Path, part: str, way: str) -> None:
    folder = tmp_path / part
    folder.mkdir(parents=True)
    (folder / "planted.py").write_text(WAYS_OUT[way], encoding="utf-8")
    assert [found.path for found in impurities(tmp_path)] == [f"{part}/planted.py"]


def test_the_check_reads_what_it_should() -> None:
    names = {path.relative_to(ROOT).as_posix() for path in pure_files(ROOT)}
    assert set(LOADERS) <= names
    assert "protocol/wire/mqtt.py" not in names
    assert len(names) > 100
