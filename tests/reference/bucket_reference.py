"""Keeps scans and letters in a bucket of another S3 implementation.

Usage: bucket_reference.py PROGRAM FOLDER

PyPI `moto` answers as the S3 interface does, on a port of this machine; PyPI `boto3` is a second client that
looks at the bucket beside us. PROGRAM (`counterfoil`) is told of the bucket by its environment alone. Each
document is one object below the prefix, sealed; it comes back byte for byte; one that is altered, missing or
another's is found by `evidence check`, and an upload that is repeated mends it.
"""

import contextlib
import datetime
import json
import logging
import os
import pathlib
import shutil
import socket
import subprocess
import sys

import boto3
from moto.server import ThreadedMotoServer

CLIENTS = [f"00000000-0000-7000-8000-0000000000{number:02}" for number in (1, 11)]
LETTER = b"Dear Sir or Madam, the account ending in none is not mine.\n"
# A page of a scan, as long as a phone makes it.
SCAN = b"%PDF-1.7\n" + bytes(range(256)) * 12_000
BUCKET, PREFIX = "evidence", "firms/one"
UNSOUND, NOT_REACHED = 4, 5


def free_port():
    with contextlib.closing(socket.socket()) as listener:
        listener.bind(("127.0.0.1", 0))
        return listener.getsockname()[1]


def main(program, folder):
    folder = pathlib.Path(folder).resolve()
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir(parents=True)
    logging.getLogger("werkzeug").setLevel(logging.ERROR)
    port = free_port()
    server = ThreadedMotoServer(ip_address="127.0.0.1", port=port, verbose=False)
    server.start()
    told = {
        "AWS_ACCESS_KEY_ID": "invented", "AWS_SECRET_ACCESS_KEY": "invented as well",
        "AWS_REGION": "us-east-1", "AWS_ENDPOINT": f"http://127.0.0.1:{port}", "AWS_ALLOW_HTTP": "true",
    }
    bucket = boto3.resource("s3", endpoint_url=told["AWS_ENDPOINT"], region_name="us-east-1",
                            aws_access_key_id="invented", aws_secret_access_key="invented as well")
    bucket = bucket.create_bucket(Bucket=BUCKET)
    env = {**os.environ, **told, "COUNTERFOIL_DATABASE": f"sqlite:{folder / 'firm.db'}"}
    in_bucket = {**env, "COUNTERFOIL_EVIDENCE": f"s3://{BUCKET}/{PREFIX}"}

    def run(*arguments, code=0, env=in_bucket):
        ran = subprocess.run([program, *arguments], cwd=folder, env=env, capture_output=True, check=False)
        assert ran.returncode == code, f"{arguments}: {ran}"
        return ran.stdout.decode()

    def objects():
        return {found.key: found for found in bucket.objects.all()}

    run("demo", "--brief", "--keep", str(folder / "firm.db"), env=env)
    kept = {}
    for client, name, content in [(CLIENTS[0], "letter.txt", LETTER), (CLIENTS[0], "scan.pdf", SCAN),
                                  (CLIENTS[1], "letter.txt", LETTER)]:
        (folder / name).write_bytes(content)
        before = set(objects())
        digest = run("evidence", "add", client, name, "--quiet").strip()
        (key,) = set(objects()) - before
        assert key.startswith(f"{PREFIX}/"), key
        kept[key] = (client, name, content, digest)
    assert len(kept) == 3, "one content of two clients is two objects, under two keys"
    for place, (key, (client, _, content, digest)) in enumerate(kept.items()):
        body = objects()[key].get()["Body"].read()
        assert len(body) > len(content) and content[:40] not in body, f"{key} lies unsealed"
        run("evidence", "get", client, digest, "--to", f"back-{place}")
        assert (folder / f"back-{place}").read_bytes() == content
    # The check is of what events name.
    # A day that has begun wherever the firm is.
    today = (datetime.datetime.now(datetime.timezone.utc) - datetime.timedelta(hours=12)).date()
    named = [{
        "name": f"firms/-/cases/{client}",
        "actions": [{
            "occurredOn": {"year": today.year, "month": today.month, "day": today.day},
            "identityPaperReceived": {
                "paper": f"paper-{place}", "kind": "PAPER_KIND_RESIDENCE", "documentSha256": digest,
            },
        }],
    } for place, (client, _, _, digest) in enumerate(kept.values())]
    (folder / "named.jsonl").write_text("".join(json.dumps(line) + "\n" for line in named))
    run("import", "named.jsonl")
    assert json.loads(run("evidence", "check", "--json").splitlines()[-1])["report"]["wholeCount"] == "3"

    keys = list(kept)
    (client, name, content, digest), body = kept[keys[1]], objects()[keys[1]].get()["Body"].read()
    bucket.put_object(Key=keys[1], Body=body[:70] + bytes([body[70] ^ 1]) + body[71:])
    assert "ALTERED" in run("evidence", "check", code=UNSOUND)
    bucket.put_object(Key=keys[1], Body=objects()[keys[0]].get()["Body"].read())
    assert "ALTERED" in run("evidence", "check", code=UNSOUND)
    objects()[keys[1]].delete()
    assert "MISSING" in run("evidence", "check", code=UNSOUND)
    assert run("evidence", "add", client, name, "--quiet").strip() == digest
    assert objects()[keys[1]].get()["Body"].read() == body, "the same content has the same bytes"
    run("evidence", "check")

    server.stop()
    run("evidence", "get", client, digest, "--to", "none", code=NOT_REACHED)
    assert not (folder / "none").exists(), "nothing is left of what did not come"
    print(f"{len(kept)} documents in a bucket, altered, missing and mended")


if __name__ == "__main__":
    main(*sys.argv[1:])
