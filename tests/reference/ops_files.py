"""What runs the service, read by other tools' parsers: the compose file, the image's recipe, Prometheus' files.

    ops_files.py COUNTERFOIL_BINARY

There is no Docker engine where the tests run, so that nothing is built or started here: what is checked is that the
files read, that they name files that are there and options that the program has, and that they give away no more than
they must.
"""

import json
import pathlib
import re
import subprocess
import sys

import yaml

ROOT = pathlib.Path(__file__).resolve().parents[2]
OPS = ROOT / "ops"


def read(name):
    return yaml.safe_load((OPS / name).read_text())


def options(binary):
    """Every long option of `serve`."""
    told = subprocess.run([binary, "serve", "--help"], capture_output=True, text=True, check=True).stdout
    return set(re.findall(r"(--[a-z][a-z-]+)", told))


def compose(known):
    folder = OPS / "docker"
    file = read("docker/compose.yaml")
    services = file["services"]
    assert set(services) == {"postgres", "migrate", "counterfoil", "prometheus"}
    assert services["postgres"]["image"].startswith("postgres:15")
    ours = services["counterfoil"]
    context = (folder / ours["build"]["context"]).resolve()
    assert context == ROOT and (context / ours["build"]["dockerfile"]).is_file()
    assert ours["command"][0] == "serve"
    asked = {word.split("=")[0] for word in ours["command"][1:]}
    assert asked <= known, asked - known
    # Whoever serves is not whoever owns the tables, and starts after that one is done.
    owner, desk = (services[name]["environment"] for name in ("migrate", "counterfoil"))
    login = {name: env["COUNTERFOIL_DATABASE"].split("//")[1].split("@")[0] for name, env in (("owner", owner), ("desk", desk))}
    assert login["owner"] == services["postgres"]["environment"]["POSTGRES_USER"] != login["desk"]
    assert services["migrate"]["command"] == ["migrate", f"--serving={login['desk']}"]
    assert f"CREATE ROLE {login['desk']} LOGIN" in (folder / "desk.sql").read_text()
    assert ours["depends_on"]["migrate"] == {"condition": "service_completed_successfully"}
    assert not set(services["migrate"]["secrets"]) & set(ours["secrets"]), "no secret of the owner's"
    assert "--allow-owner-login" not in asked
    assert ours["read_only"] and ours["cap_drop"] == ["ALL"] and "no-new-privileges:true" in ours["security_opt"]
    assert int(ours["stop_grace_period"].removesuffix("s")) > 40, "longer than the drain"
    for name, service in services.items():
        assert all(port.startswith("127.0.0.1:") for port in service.get("ports", [])), f"{name}: loopback only"
        assert not any("PASSWORD" in key and not key.endswith("_FILE") for key in service.get("environment", {}))
        for secret in service.get("secrets", []):
            assert secret in file["secrets"], secret
        for volume in service.get("volumes", []):
            source = volume.split(":")[0]
            assert source in file["volumes"] or (folder / source).exists(), volume


def image(known):
    recipe = (OPS / "docker" / "Dockerfile").read_text()
    steps = [line for line in re.sub(r"\\\n", " ", recipe).splitlines() if line and not line.startswith("#")]
    words = [step.split(maxsplit=1) for step in steps]
    assert [word for word, _ in words].count("FROM") == 2, "the compiler stays outside"
    last = {word: rest for word, rest in words}
    user = last["USER"].split(":")[0]
    assert user.isdigit() and int(user) > 0, "never root"
    assert "--profile dist" in recipe and "--locked" in recipe
    command = json.loads(last["CMD"])
    assert command[0] == "serve" and {w for w in command if w.startswith("--")} <= known
    assert json.loads(last["ENTRYPOINT"]) == ["/usr/local/bin/counterfoil"]
    probe = json.loads(re.search(r"CMD (\[.*\])", last["HEALTHCHECK"]).group(1))
    assert probe == ["/usr/local/bin/counterfoil", "health"]
    release = re.search(r"FROM rust:(\d+\.\d+)-(\w+)", recipe)
    assert f'rust-version = "{release.group(1)}"' in (ROOT / "Cargo.toml").read_text()
    assert f"FROM debian:{release.group(2)}-slim" in recipe, "the same system libraries"


def unit(known):
    for name in ("counterfoil.service", "tls.conf"):
        text = (OPS / "systemd" / name).read_text()
        starts = [line for line in text.splitlines() if line.startswith("ExecStart=/")]
        assert len(starts) == 1, name
        asked = {word for word in starts[0].split() if word.startswith("--")}
        assert asked <= known, asked - known
    text = (OPS / "systemd" / "counterfoil.service").read_text()
    assert int(re.search(r"^TimeoutStopSec=(\d+)$", text, re.M).group(1)) > 25, "longer than the drain and what ends it"


def prometheus():
    config = read("prometheus/prometheus.yaml")
    assert all((OPS / "prometheus" / name).is_file() for name in config["rule_files"])
    for group in read("prometheus/alerts.yaml")["groups"]:
        for rule in group["rules"]:
            assert rule["labels"]["severity"] in {"page", "ticket", "work"}, rule
            assert {"summary", "description"} <= rule["annotations"].keys(), rule
    tested = (OPS / "prometheus" / "alerts_test.yaml").read_text()
    for group in read("prometheus/alerts.yaml")["groups"]:
        for rule in group["rules"]:
            assert rule["alert"] in tested, f"{rule['alert']} is not tested"


def main():
    known = options(ROOT / sys.argv[1])
    assert "--metrics" in known
    compose(known)
    image(known)
    unit(known)
    prometheus()
    print("4 passed, 0 failed")


if __name__ == "__main__":
    main()
