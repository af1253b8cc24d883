#!/usr/bin/env python3
"""Runs the bundle's verify.py over every archive of a folder, in one process.

Usage: bundle_batch.py VERIFY.PY FOLDER [PUBLIC-KEY-FILE [EARLIER-CHECKPOINT-FILE]]

Prints one JSON object a line: {"name": file's name, "findings": [text, ...]}. Exit status 0, or 1 if the
verifier itself failed on one, which it must not do whatever it is given.
"""

import importlib.util
import json
import pathlib
import sys
import traceback


def main():
    sys.dont_write_bytecode = True
    spec = importlib.util.spec_from_file_location("bundle_verifier", sys.argv[1])
    verifier = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(verifier)
    key = pathlib.Path(sys.argv[3]).read_text() if len(sys.argv) > 3 else None
    earlier = pathlib.Path(sys.argv[4]).read_text() if len(sys.argv) > 4 else None
    failed = 0
    for path in sorted(pathlib.Path(sys.argv[2]).glob("*.zip")):
        try:
            findings, _ = verifier.verify(str(path), key, earlier)
        except Exception:
            failed = 1
            traceback.print_exc()
            findings = []
        print(json.dumps({"name": path.name, "findings": list(findings)}), flush=True)
    return failed


if __name__ == "__main__":
    sys.exit(main())
