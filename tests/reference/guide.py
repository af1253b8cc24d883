"""A guide, done as it says: every block of commands in order, in one shell, by bash and curl alone.

    guide.py COUNTERFOIL_BINARY GUIDE

Then what came of it is held against what the guide promises. The port is another one, so that it is free.
"""

import json
import os
import pathlib
import re
import socket
import subprocess
import sys
import tempfile

ROOT = pathlib.Path(__file__).resolve().parents[2]


def blocks(text):
    return re.findall(r"^```sh\n(.*?)^```$", text, re.MULTILINE | re.DOTALL)


def free_port():
    with socket.socket() as listener:
        listener.bind(("127.0.0.1", 0))
        return listener.getsockname()[1]


def main():
    binary, guide = pathlib.Path(sys.argv[1]).resolve(), pathlib.Path(sys.argv[2])
    text = guide.read_text()
    assert text.count("\n") < 150, "a guide is read in one sitting"
    commands = "\n".join(blocks(text)).replace("7411", str(free_port()))
    with tempfile.TemporaryDirectory() as name:
        folder = pathlib.Path(name)
        (folder / "services").symlink_to(ROOT / "services")
        script = f"set -euo pipefail\ntrap 'kill $(jobs -p)' EXIT\n{commands}"
        environment = {**os.environ, "PATH": f"{binary.parent}:{os.environ['PATH']}"}
        done = subprocess.run(["bash", "-c", script], cwd=folder, env=environment, capture_output=True, text=True, timeout=120)
        assert done.returncode == 0, f"{done.stdout}{done.stderr}"

        def said(file):
            return json.loads((folder / file).read_text())

        assert int(said("head.json")["position"]) > 0
        first, again = said("first.json"), said("again.json")
        assert first["position"] == again["position"] and again["replayed"], again
        assert "position" in said("worked.json"), said("worked.json")
        assert said("explained.json")["explanation"]["claimable"], said("explained.json")
        assert said("billed.json")["feesEarned"] == 1, said("billed.json")
        events = said("first-events.json")["events"]
        assert [int(event["position"]) for event in events] == list(range(1, len(events) + 1))
        assert "events" not in said("events.json"), said("events.json")
        refused = said("refused.json")
        assert refused["code"] == "invalid_argument"
        violations = [v for d in refused["details"] for v in d["debug"].get("fieldViolations", [])]
        assert violations[0]["field"] == "nome", refused
    print(f"{len(blocks(text))} blocks done, 9 promises kept")


if __name__ == "__main__":
    main()
