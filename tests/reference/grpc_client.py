"""A client in another language: Python with grpcio, its stubs made by grpcio-tools from our proto.

    grpc_client.py COUNTERFOIL_BINARY [postgres://DATABASE] [--json]

Starts the real server on a database of its own, or on the empty one that is named, enrols a client, records a month, runs billing, follows
the stream, and meets and decodes each kind of error; then reads the server's figures with the OpenMetrics parser of
Prometheus' own Python client, which is strict, and finds in them what it did; then has a checkpoint of the log signed, and
checks it and the proof of an event as a stranger would, with hashlib and the PyPI package `cryptography`; then fetches the
examiner's bundle and checks it with the verifier that lies beside its format. Everybody in it is invented.

With --json every unary call is made as JSON over HTTP/1.1 instead, by the client of the Connect protocol that PyPI has
(`connect-python`), and each request and answer is held against the OpenAPI document that the program prints, which
`openapi-spec-validator` has checked.
"""

import base64
import datetime
import hashlib
import json
import os
import pathlib
import re
import subprocess
import sys
import tempfile
import time
import urllib.request
import uuid

import grpc
import jsonschema
from connectrpc.client import ConnectClientSync
from connectrpc.errors import ConnectError
from connectrpc.method import IdempotencyLevel, MethodInfo
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey
from google.protobuf import json_format
from grpc_tools import protoc
from openapi_spec_validator import OpenAPIV31SpecValidator
from prometheus_client.openmetrics.parser import text_string_to_metric_families

ROOT = pathlib.Path(__file__).resolve().parents[2]
DATA = ROOT / "services" / "counterfoil" / "tests" / "data"
ORIGIN = "ledger.example/python"
# The key that seals the seed of the signing key.
# Tests log in as the superuser of a cluster of their own.
SEALING = {**os.environ, "COUNTERFOIL_KEYS": "5e" * 32, "COUNTERFOIL_ALLOW_OWNER_LOGIN": "true"}


def make_stubs(folder):
    """Stubs of our proto and of the google.rpc error details."""
    protos = [str(path.relative_to(ROOT / "proto")) for path in (ROOT / "proto").rglob("*.proto")]
    words = ["protoc", f"-I{ROOT / 'proto'}", f"--python_out={folder}", f"--grpc_python_out={folder}", *protos]
    import grpc_tools

    words.insert(1, f"-I{pathlib.Path(grpc_tools.__file__).parent / '_proto'}")
    assert protoc.main(words) == 0, "protoc"
    sys.path.insert(0, str(folder))


class Refused(grpc.RpcError):
    """An error over Connect, told as grpcio tells its own."""

    def __init__(self, error):
        from google.rpc import status_pb2

        self.error = error
        self.status = status_pb2.Status(message=error.message, details=error.details).SerializeToString()

    def code(self):
        return grpc.StatusCode[self.error.code.name.replace("CANCELED", "CANCELLED")]

    def details(self):
        return self.error.message

    def trailing_metadata(self):
        return (("grpc-status-details-bin", self.status),)


class JsonChannel:
    """A channel for grpcio's stubs whose unary calls are JSON over HTTP/1.1; streams stay gRPC."""

    def __init__(self, address, streams, document):
        self.client = ConnectClientSync(f"http://{address}", proto_json=True, send_compression=None, accept_compression=[])
        self.unary_stream, self.stream_stream, self.close = streams.unary_stream, streams.stream_stream, streams.close
        self.stream_unary = streams.stream_unary
        self.document, self.calls = document, 0

    def check(self, message):
        schema = {"$ref": f"#/components/schemas/{message.DESCRIPTOR.full_name}", **self.document}
        jsonschema.Draft202012Validator(schema).validate(json_format.MessageToDict(message))

    def unary_unary(self, path, request_serializer, response_deserializer, **_):
        service, name = path.strip("/").split("/")
        output = response_deserializer.__self__

        def call(request, metadata=()):
            method = MethodInfo(
                name=name, service_name=service, input=type(request), output=output, idempotency_level=IdempotencyLevel.UNKNOWN)
            self.check(request)
            self.calls += 1
            try:
                answer = self.client.execute_unary(request=request, method=method, headers=dict(metadata))
            except ConnectError as error:
                raise Refused(error) from error
            self.check(answer)
            return answer

        return call


class Office:
    """The server under test, and how to call it."""

    def __init__(self, binary, folder, database, as_json):
        self.binary, self.database = binary, database or f"sqlite:{folder / 'firm.db'}"
        self.run("firm", "register", DATA / "firm.json")
        for kind in ("plan", "bureau"):
            self.run("firm", kind, DATA / f"{kind}.json")
        self.run("firm", "pack", ROOT / "crates" / "domain" / "packs" / "us-federal-1.json")
        # Somebody stands for the law of the client's state, or no fee of it is claimable.
        pack = ROOT / "services" / "counterfoil" / "tests" / "data" / "nothing-added.json"
        self.run("firm", "pack", pack)
        self.run("firm", "confirm", pack, "--counsel", "C. Ounsel")
        self.run("keys", "new", "--origin", ORIGIN)
        self.verifier_key = self.run("keys", "export-public").strip()
        self.firm = json.loads(self.run("firm", "show", "--json"))["firm"]["name"]
        every = ["record,read,bill,administer", "read"]
        self.token, self.reader = (self.make_token(scopes) for scopes in every)
        self.server = subprocess.Popen(
            [binary, "--database", self.database, "serve", "--listen", "127.0.0.1:0", "--metrics", "127.0.0.1:0"],
            stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, env=SEALING,
        )
        said = {}
        for line in self.server.stdout:
            found = re.fullmatch(r"(metrics|listening) (?:at|on) http://(127\.0\.0\.1:\d+\S*)\n", line)
            if found:
                said[found.group(1)] = found.group(2)
            if "listening" in said:
                break
        assert said.keys() == {"metrics", "listening"}, "the server says where it listens"
        address, self.metrics = said["listening"], said["metrics"]
        self.channel = grpc.insecure_channel(address)
        if as_json:
            document = json.loads(self.run("contract"))
            OpenAPIV31SpecValidator(document).validate()
            self.channel = JsonChannel(address, self.channel, document)

    def run(self, *words):
        command = [self.binary, "--database", self.database, "--quiet", *map(str, words)]
        done = subprocess.run(command, capture_output=True, text=True, env=SEALING)
        assert done.returncode == 0, f"{words}: {done.stdout}{done.stderr}"
        return done.stdout

    def make_token(self, scopes):
        return json.loads(self.run("tokens", "create", "--label", "client " + scopes, "--scopes", scopes, "--json"))["secret"]

    def meta(self, token=None):
        return (("authorization", f"Bearer {token or self.token}"),)

    def figures(self):
        """Every sample by its name and labels."""
        with urllib.request.urlopen(f"http://{self.metrics}", timeout=30) as answer:
            assert answer.headers["content-type"].startswith("application/openmetrics-text; version=1.0.0")
            text = answer.read().decode()
        families = list(text_string_to_metric_families(text))
        assert all(family.documentation for family in families), "each says what it is"
        return {
            (sample.name, tuple(sorted(sample.labels.items()))): sample.value
            for family in families for sample in family.samples
        }

    def close(self):
        self.channel.close()
        self.server.terminate()
        assert self.server.wait(timeout=30) == 0, "the server drains and ends well"


def main():
    binary, *words = sys.argv[1:]
    binary, as_json = os.path.abspath(binary), "--json" in words
    database = next((word for word in words if word != "--json"), None)
    with tempfile.TemporaryDirectory() as name:
        folder = pathlib.Path(name)
        make_stubs(folder)
        office = Office(binary, folder, database, as_json)
        try:
            passed = use(office) + proved(office)
        finally:
            office.close()
    print(f"{passed} passed, 0 failed")


def said(note, verifier_key):
    """Size and root of a signed checkpoint, after checking the signature: C2SP signed-note, tlog-checkpoint."""
    # It stands behind the sizes of the log that the key signed.
    name, key_id, typed_key = verifier_key.split()[-1].split("+", 2)
    typed_key = base64.b64decode(typed_key)
    assert typed_key[:1] == b"\x01" and key_id == hashlib.sha256(name.encode() + b"\n" + typed_key).hexdigest()[:8]
    text, signatures = note.rsplit("\n\n", 1)
    prefix = f"\u2014 {name} "
    (line,) = (line for line in signatures.splitlines() if line.startswith(prefix))
    signature = base64.b64decode(line.removeprefix(prefix))
    assert signature[:4].hex() == key_id
    Ed25519PublicKey.from_public_bytes(typed_key[1:]).verify(signature[4:], f"{text}\n".encode())
    origin, size, root = text.split("\n")
    assert origin == name
    return int(size), base64.b64decode(root)


def root_of_inclusion(leaf, index, size, path):
    """The root that a path leads to, RFC 9162 section 2.1.3.2."""
    fn, sn, r = index, size - 1, leaf
    for p in path:
        assert sn != 0
        if fn & 1 or fn == sn:
            r = hashlib.sha256(b"\x01" + p + r).digest()
            while fn & 1 == 0 and fn != 0:
                fn, sn = fn >> 1, sn >> 1
        else:
            r = hashlib.sha256(b"\x01" + r + p).digest()
        fn, sn = fn >> 1, sn >> 1
    assert sn == 0
    return r


def proved(office):
    from counterfoil.v1 import audit_pb2, audit_pb2_grpc
    from counterfoil.v1 import case_ledger_pb2 as ledger
    from counterfoil.v1 import case_ledger_pb2_grpc

    audit = audit_pb2_grpc.AuditStub(office.channel)
    cases = case_ledger_pb2_grpc.CaseLedgerStub(office.channel)
    made = audit.MakeCheckpoint(audit_pb2.MakeCheckpointRequest(parent=office.firm), metadata=office.meta()).checkpoint
    size, root = said(made.note, office.verifier_key)
    assert (size, root.hex()) == (made.size, made.root)
    events = cases.ReadEvents(ledger.ReadEventsRequest(parent=office.firm, page_size=1000), metadata=office.meta()).events
    assert len(events) == size > 10
    for event in events:
        asked = audit_pb2.GetInclusionProofRequest(parent=office.firm, position=event.position)
        proof = audit.GetInclusionProof(asked, metadata=office.meta(office.reader))
        leaf = hashlib.sha256(b"\x00" + event.canonical_json.encode()).digest()
        assert proof.leaf_hash == leaf
        assert root_of_inclusion(leaf, event.position - 1, size, proof.hashes) == root, event.position
    return 2 + bundled(office, audit, audit_pb2)


def bundled(office, audit, audit_pb2):
    """Fetches the whole log as a bundle, and checks it with the verifier that lies beside its format."""
    sys.path.insert(0, str(ROOT / "crates/bundle/documents"))
    sys.dont_write_bytecode = True
    import verify

    asked = audit_pb2.ExportBundleRequest(parent=office.firm, whole_log=audit_pb2.WholeLog())
    archive, report = b"", None
    for message in audit.ExportBundle(asked, metadata=office.meta()):
        kind = message.WhichOneof("message")
        if kind == "chunk":
            archive += message.chunk
        elif kind == "report":
            report = message.report
    assert hashlib.sha256(archive).hexdigest() == report.sha256 and len(archive) == report.byte_count
    with tempfile.TemporaryDirectory() as folder:
        path = pathlib.Path(folder) / "bundle.zip"
        path.write_bytes(archive)
        findings, _ = verify.verify(str(path), office.verifier_key)
        assert not findings, findings
        changed = bytearray(archive)
        changed[len(changed) // 2] ^= 1
        path.write_bytes(changed)
        findings, _ = verify.verify(str(path), office.verifier_key)
        assert findings, "a changed byte was not found"
    return 2


def use(office):
    from google.rpc import error_details_pb2, status_pb2
    from google.type import date_pb2, money_pb2
    from counterfoil.v1 import action_pb2 as act
    from counterfoil.v1 import billing_pb2, billing_pb2_grpc
    from counterfoil.v1 import case_ledger_pb2 as ledger
    from counterfoil.v1 import case_ledger_pb2_grpc
    from counterfoil.v1 import common_pb2 as common

    cases = case_ledger_pb2_grpc.CaseLedgerStub(office.channel)
    billing = billing_pb2_grpc.BillingStub(office.channel)
    today = datetime.datetime.now(datetime.timezone.utc).date() - datetime.timedelta(days=1)
    passed = 0

    def date(days_ago):
        day = today - datetime.timedelta(days=days_ago)
        return date_pb2.Date(year=day.year, month=day.month, day=day.day)

    def usd(dollars):
        return money_pb2.Money(currency_code="USD", units=dollars)

    def business_day_ago(days_ago):
        """The first day on or after it that is neither a weekend nor near enough to a holiday to matter."""
        # A Wednesday is a federal holiday (5 USC 6103) only where the holiday has a date of its own.
        fixed = {(1, 1), (6, 19), (7, 4), (11, 11), (12, 25)}
        on = lambda: today - datetime.timedelta(days=days_ago)
        while on().weekday() != 2 or (on().month, on().day) in fixed:
            days_ago -= 1
        return days_ago

    def request(case, *actions, request_id=None):
        return ledger.RecordRequest(
            name=f"{office.firm}/cases/{case}", request_id=request_id or str(uuid.uuid4()), actions=actions)

    def action(days_ago, **kind):
        return act.Action(occurred_on=date(days_ago), **kind)

    def enrolment(days_ago):
        plan = json.loads((DATA / "plan.json").read_text())["code"]
        contact = common.Contact(
            display_name="Ada Lark", email="ada@mail.example", phone="(312) 555-0143",
            address=common.Address(line1="12 North Main Street", line2="Apt 4", city="Exampleton", state_code="IL", zip="60600"))
        sale = common.Sale(channel="CHANNEL_IN_PERSON", evidence_sha256="7" * 64, promised_days=180)
        return action(days_ago, enrol=act.Enrol(
            plan=plan, seat="SEAT_INDIVIDUAL", contact=contact, sale=sale,
            birth_date=date_pb2.Date(year=1980, month=5, day=6)))

    def refused(call, code, reason, detail_type=None):
        """The call is refused with a status, its reason and its typed detail, as google.rpc has them."""
        nonlocal passed
        try:
            call()
        except grpc.RpcError as error:
            assert error.code() == code, f"{error.code()}: {error.details()}, not {code}"
            trailer = dict(error.trailing_metadata()).get("grpc-status-details-bin")
            assert trailer and len(trailer) < 4096, "typed details, within a trailer of 4 KiB"
            status = status_pb2.Status.FromString(trailer)
            found = {}
            for any_detail in status.details:
                kind = getattr(error_details_pb2, any_detail.type_url.rsplit(".", 1)[-1])
                message = kind()
                assert any_detail.Unpack(message)
                found[kind] = message
            info = found[error_details_pb2.ErrorInfo]
            assert (info.domain, info.reason) == ("counterfoil", reason), info
            passed += 1
            return found.get(detail_type)
        raise AssertionError(f"must be refused: {reason}")

    # Enrol, sign, prove who she is, import a report; then a month of work.
    ada = uuid.uuid4()
    signed, opened = 60, business_day_ago(50)
    bureau = json.loads((DATA / "bureau.json").read_text())["code"]
    item = act.ItemSeen(item="item-1", kind="ITEM_KIND_COLLECTION", furnisher="Example Collections")
    papers = [("photo-id", "PAPER_KIND_PHOTO_ID"), ("bill", "PAPER_KIND_RESIDENCE")]
    setup = [
        enrolment(signed),
        action(signed, disclosure_delivered=act.DisclosureDelivered()),
        action(signed, disclosure_acknowledged=act.DisclosureAcknowledged()),
        action(signed, sign_consent=act.SignConsent(copies_given=True, e_sign_consent=True, total_of_payments=usd(2000))),
        *[action(signed, identity_paper_received=act.IdentityPaperReceived(paper=p, kind=k)) for p, k in papers],
        *[action(signed, identity_paper_accepted=act.IdentityPaperAccepted(paper=p)) for p, _ in papers],
        action(signed, report_source_connected=act.ReportSourceConnected(source="report source")),
        action(signed, import_report=act.ImportReport(bureau=bureau, issued_on=date(signed), items=[item])),
        action(signed, attest_basis=act.AttestBasis(bureau=bureau, item="item-1", basis="BASIS_NOT_MINE")),
    ]
    first = request(ada, *setup)
    recorded = cases.Record(first, metadata=office.meta())
    assert recorded.version > 0 and not recorded.replayed
    again = cases.Record(first, metadata=office.meta())
    assert again.replayed and again.position == recorded.position, "the first answer again"
    passed += 2
    letter = act.Letter(bureau=bureau, items=["item-1"], mail_class="MAIL_CLASS_CERTIFIED")
    early = request(ada, action(signed - 1, send_round=act.SendRound(letters=[letter])))
    precondition = refused(lambda: cases.Record(early, metadata=office.meta()),
                           grpc.StatusCode.FAILED_PRECONDITION, "NOT_ALLOWED_YET", error_details_pb2.PreconditionFailure)
    assert precondition.violations
    work = [
        action(opened, open_work=act.OpenWork()),
        action(opened, send_round=act.SendRound(letters=[letter])),
        action(opened, import_report=act.ImportReport(bureau=bureau, issued_on=date(opened), items=[item])),
        action(opened, progress_report_sent=act.ProgressReportSent()),
    ]
    recorded = cases.Record(request(ada, *work), metadata=office.meta())

    # Billing: explained, run, run again.
    explained = billing.ExplainFee(billing_pb2.ExplainFeeRequest(name=f"{office.firm}/cases/{ada}", period=1), metadata=office.meta())
    assert explained.explanation.claimable, explained
    assert len(explained.explanation.findings) == 8, "all eight gates"
    run = billing_pb2.RunBillingRequest(parent=office.firm, request_id=str(uuid.uuid4()), as_of=date(0))
    billed = billing.RunBilling(run, metadata=office.meta())
    assert (billed.invoices_issued, billed.fees_earned) == (1, 1), billed
    rerun = billing.RunBilling(run, metadata=office.meta())
    assert rerun.replayed and rerun.invoices_issued == 1, "the same run is the same answer"
    passed += 3
    claim = billing_pb2.ClaimFeeRequest(name=f"{office.firm}/cases/{ada}", request_id=str(uuid.uuid4()), period=1, as_of=date(0))
    precondition = refused(lambda: billing.ClaimFee(claim, metadata=office.meta()),
                           grpc.StatusCode.FAILED_PRECONDITION, "GATES_CLOSED", error_details_pb2.PreconditionFailure)
    assert "G5" in [violation.type for violation in precondition.violations], precondition

    # Follow: from the start, without gap or repeat, to the end of the log.
    seen = []
    follow = cases.Follow(ledger.FollowRequest(parent=office.firm), metadata=office.meta())
    for message in follow:
        kind = message.WhichOneof("message")
        if kind == "event":
            seen.append(message.event)
        elif kind == "caught_up":
            assert message.caught_up.position >= billed.position
            break
    follow.cancel()
    assert [event.position for event in seen] == list(range(1, len(seen) + 1)), "dense"
    body = json.loads(seen[-1].canonical_json)
    assert body["position"] == seen[-1].position, "the very bytes that are hashed"
    passed += 2

    # Errors, one of each kind.
    found = refused(lambda: cases.Record(request(ada, action(0)), metadata=office.meta()),
                    grpc.StatusCode.INVALID_ARGUMENT, "FIELD_INVALID", error_details_pb2.BadRequest)
    assert found.field_violations[0].field.startswith("actions[0]"), found
    card = "4111 1111 1111 1111"  # a published test number, from memory
    message = act.MessageLogged(direction="DIRECTION_INCOMING", text=f"my card is {card}")
    found = refused(lambda: cases.Record(request(ada, action(0, message_logged=message)), metadata=office.meta()),
                    grpc.StatusCode.INVALID_ARGUMENT, "FIELD_INVALID", error_details_pb2.BadRequest)
    assert card not in str(found) and "text" in found.field_violations[0].field, "named, never echoed"
    other_body = request(ada, action(0, open_work=act.OpenWork()), request_id=first.request_id)
    refused(lambda: cases.Record(other_body, metadata=office.meta()), grpc.StatusCode.INVALID_ARGUMENT, "REQUEST_ID_REUSED")
    stale = request(ada, action(0, progress_report_sent=act.ProgressReportSent()))
    stale.expected_version = 1
    refused(lambda: cases.Record(stale, metadata=office.meta()), grpc.StatusCode.ABORTED, "VERSION_MISMATCH")
    nobody = request(uuid.uuid4(), action(0, open_work=act.OpenWork()))
    refused(lambda: cases.Record(nobody, metadata=office.meta()), grpc.StatusCode.NOT_FOUND, "CASE_UNKNOWN")
    refused(lambda: cases.Record(request(ada, enrolment(0)), metadata=office.meta()), grpc.StatusCode.ALREADY_EXISTS, "CASE_EXISTS")
    plain = request(ada, action(0, open_work=act.OpenWork()))
    refused(lambda: cases.Record(plain), grpc.StatusCode.UNAUTHENTICATED, "TOKEN_INVALID")
    refused(lambda: cases.Record(plain, metadata=office.meta(office.reader)), grpc.StatusCode.PERMISSION_DENIED, "PERMISSION_DENIED")
    other_firm = ledger.GetCaseRequest(name=f"firms/{uuid.uuid4()}/cases/{ada}")
    refused(lambda: cases.GetCase(other_firm, metadata=office.meta()), grpc.StatusCode.PERMISSION_DENIED, "PERMISSION_DENIED")
    beyond = ledger.GetCaseRequest(name=f"{office.firm}/cases/{ada}", at_least_position=10**9)
    refused(lambda: cases.GetCase(beyond, metadata=office.meta()), grpc.StatusCode.OUT_OF_RANGE, "POSITION_BEYOND_LOG")

    # The figures tell of it. A letter of fifty days ago has no answer, so clocks are overdue.
    of_firm = {"firm": office.firm.removeprefix("firms/")}

    def figure(name, **labels):
        return figures.get((f"counterfoil_{name}", tuple(sorted(labels.items()))))

    deadline = time.monotonic() + 60
    while True:
        figures = office.figures()
        overdue, lag = figure("clocks_overdue", **of_firm), figure("projection_lag_events", **of_firm)
        if overdue and lag == 0:
            break
        assert time.monotonic() < deadline, f"{overdue} clocks overdue, {lag} events behind"
        time.sleep(0.2)
    record = {"rpc": "CaseLedger.Record"}
    for name, labels, least, most in [
        ("requests_total", {**record, "code": "OK"}, 3, 3),
        ("requests_total", {**record, "code": "FAILED_PRECONDITION"}, 1, 1),
        ("requests_total", {**record, "code": "UNAUTHENTICATED"}, 1, 1),
        ("request_seconds_count", record, 12, 13),
        ("refusals_total", {"reason": "NOT_ALLOWED_YET"}, 1, 1),
        ("refusals_total", {"reason": "CASE_UNKNOWN"}, 1, 1),
        ("refusals_total", {"reason": "FIRM_EXISTS"}, 0, 0),
        ("replays_total", {}, 1, 10),
        ("request_ids_reused_total", {}, 1, 1),
        ("append_seconds_count", {}, 8, 100),
        ("batch_events_count", {}, 3, 100),
        ("head_position", of_firm, seen[-1].position, seen[-1].position + 50),
        ("projection_leader", of_firm, 1, 1),
        ("projection_lag_seconds", of_firm, 0, 0),
        ("outcomes_unknown_total", {}, 0, 0),
        ("requests_shed_total", {"limit": "requests"}, 0, 0),
    ]:
        value = figure(name, **labels)
        assert value is not None and least <= value <= most, f"{name} {labels}: {value}"
    told = str(figures)
    assert not any(word in told for word in ("Ada", "Lark", "example", "3125550143")), "nothing personal"
    passed += 2
    return passed


if __name__ == "__main__":
    main()
