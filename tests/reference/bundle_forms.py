#!/usr/bin/env python3
"""Says of each event whether the bundle's verify.py knows its form.

Usage: bundle_forms.py VERIFY.PY < EVENTS

EVENTS has one event a line. Prints one line for each: empty if nothing is wrong, else what is.
"""

import importlib.util
import sys


def main():
    sys.dont_write_bytecode = True
    spec = importlib.util.spec_from_file_location("bundle_verifier", sys.argv[1])
    verifier = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(verifier)
    payloads = verifier.Payloads()
    for line in sys.stdin.buffer:
        event = verifier.read_canonical(line[:-1])
        fault = payloads.event_fault(event) if verifier.is_event(event) else "not an event in canonical form"
        print(verifier.printable(fault or ""))


if __name__ == "__main__":
    main()
