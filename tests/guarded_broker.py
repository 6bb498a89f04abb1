"""A mosquitto as a network needs it: TLS, accounts, and an access list that pins each user to its own commands."""

from __future__ import annotations

import os
import shutil
import socket
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import trustme

from benchd.broker.config import mosquitto_executable
from benchd.files.broker_account import Account
from benchd.mqtt.connection import Endpoint

SECRETS = {"benchd-bench1": "s3cret-of-the-bench", "alice": "s3cret-of-alice", "bob": "s3cret-of-bob"}
ACL = """\
user benchd-bench1
topic readwrite benchd/north-rail/#
pattern read benchd/#
pattern write benchd/+/command/%u/#
"""


@dataclass(frozen=True)
class Guarded:
    """Where it listens, the certificate by which it is known, and a file with the password of each user."""

    port: int
    ca_file: Path
    password_files: dict[str, Path]
    log: Path

    @property
    def url(self) -> str:
        """As a bench file names it."""
        return f"mqtts://localhost:{self.port}"

    def endpoint(self, user: str | None = "benchd-bench1", password: str | None = None) -> Endpoint:
        """As a client of that user would connect; `password` in place of the right one."""
        account = Account(user, password or (SECRETS[user] if user else None), self.ca_file)
        return Endpoint("localhost", self.port, "5", tls=True, account=account)


@contextmanager
def guarded_broker(folder: Path) -> Iterator[Guarded]:
    """Runs one below `folder`, on loopback, for as long as the block stands."""
    broker = mosquitto_executable()
    maker = shutil.which("mosquitto_passwd")
    assert broker, "the package mosquitto is needed for this test"
    assert maker
    folder.mkdir(exist_ok=True)
    ca = trustme.CA()
    ca.cert_pem.write_to_path(str(folder / "ca.pem"))
    ca.issue_cert("localhost").private_key_and_cert_chain_pem.write_to_path(str(folder / "server.pem"))
    (folder / "passwd").touch(mode=0o600)
    files = {}
    for user, secret in SECRETS.items():
        subprocess.run([maker, "-b", folder / "passwd", user, secret], check=True, capture_output=True)
        files[user] = folder / f"{user}.txt"
        files[user].write_text(f"{secret}\n", encoding="utf-8")
        files[user].chmod(0o600)
    (folder / "acl").write_text(ACL, encoding="utf-8")
    (folder / "acl").chmod(0o600)
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = int(probe.getsockname()[1])
    lines = [
        f"listener {port} 127.0.0.1", "allow_anonymous false", "persistence false", "log_dest stderr",
        f"password_file {folder}/passwd", f"acl_file {folder}/acl",
        f"certfile {folder}/server.pem", f"keyfile {folder}/server.pem",
        *(["user root"] if os.geteuid() == 0 else []),
    ]  # fmt: skip
    (folder / "mosquitto.conf").write_text("\n".join(lines) + "\n", encoding="utf-8")
    log = folder / "mosquitto.log"
    with log.open("wb") as out:
        process = subprocess.Popen([broker, "-c", folder / "mosquitto.conf"], stderr=out, stdout=out)
    try:
        for _ in range(500):
            with socket.socket() as probe:
                if probe.connect_ex(("127.0.0.1", port)) == 0:
                    break
            assert process.poll() is None, log.read_text(encoding="utf-8")
            time.sleep(0.02)
        yield Guarded(port, folder / "ca.pem", files, log)
    finally:
        process.terminate()
        process.wait(10)
