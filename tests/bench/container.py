"""The station in a container: built by the Containerfile that linecall brings, run without rights, and used.

    python -m tests.bench.container --debian debian.tar

Wants root, buildah, podman and crun; without --debian also debootstrap, which fetches Debian. Builds in a chroot of
its own, runs the image with a read-only root, without capabilities and as a user without rights, in this machine's
network, sends a photo for a run, and prints how the station stands. Where the machine mixes both kinds of control
groups, which crun refuses, it runs in a mount namespace with the newer kind alone; limits of memory are then not tried.
"""

import argparse
import json
import os
import shlex
import shutil
import socket
import subprocess
import sys
import tempfile
import threading
import time
import urllib.request
from datetime import UTC, datetime, timedelta
from pathlib import Path

from reader.files.bundled import DATA
from tests.bench.offline import build
from tests.bench.station import Phone, check, depot, photo_taken

DEBIAN = "debootstrap --variant=minbase --include=python3,python3-venv bookworm"
RUN = (
    "run --rm --name station --read-only --tmpfs /tmp --network host --cap-drop=all "
    "--security-opt=no-new-privileges --cgroups=disabled --ulimit nofile=1024:1024 --ulimit nproc=1000:1000"
)
ALONE = "umount -R /sys/fs/cgroup && mount -t cgroup2 none /sys/fs/cgroup && exec "


def run(*words: str | Path, cwd: Path | None = None) -> str:
    """Run a command to its end."""
    done = subprocess.run([*map(str, words)], cwd=cwd, capture_output=True, text=True, check=False)
    if done.returncode:
        raise SystemExit(f"{' '.join(map(str, words))}\n{done.stdout[-2000:]}{done.stderr[-2000:]}")
    return done.stdout


def built(top: Path, debian: Path | None) -> tuple[str, ...]:
    """Build the image; the command that begins every other one with it."""
    context, wheels = top / "context", top / "context" / "wheels"
    wheels.mkdir(parents=True)
    wheel = build("0.1.0", wheels)
    run(sys.executable, "-m", "pip", "download", "-q", "-d", wheels, f"{wheel}[serve]")
    if debian is None:
        run(*DEBIAN.split(), top / "root")
        run("tar", "-C", top / "root", "-cf", context / "debian.tar", ".")
    else:
        shutil.copy(debian, context / "debian.tar")
    shutil.copy(DATA / "install" / "Containerfile", context)
    store = ("--storage-driver", "vfs", "--root", str(top / "store"), "--runroot", str(top / "runs"))
    run("buildah", *store, "bud", "--isolation", "chroot", "-t", "linecall", ".", cwd=context)
    size = run("podman", *store, "images", "--format", "{{.Size}}").strip()
    print(f"built: {size}")
    return ("podman", *store, "--runtime", "crun")


def is_mixed() -> bool:
    """Whether both kinds of control groups are mounted."""
    return not Path("/sys/fs/cgroup/cgroup.controllers").exists()


def main() -> None:
    """Build, run, send, look, and take everything away again."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--debian", type=Path, help="a Debian root as a tar, instead of debootstrap")
    options = parser.parse_args()
    os.environ.pop("PYTHONPATH", None)
    top = Path(tempfile.mkdtemp(prefix="linecall-container-"))
    try:
        podman = built(top, options.debian)
        data = top / "data"
        data.mkdir()
        token = depot(data, 1)
        for path in (data, *data.rglob("*")):
            os.chown(path, 1000, 1000)
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            port = int(probe.getsockname()[1])
        words = (*podman, *RUN.split(), "-v", f"{data}:/data", "linecall")
        serve = f"serve --logbook /data/book.sqlite --host 127.0.0.1 --port {port} --set site=/data/site.toml"
        command = [*words, *serve.split()]
        if is_mixed():
            command = ["unshare", "-m", "sh", "-c", ALONE + shlex.join(command)]
        with (top / "log").open("w+") as log, subprocess.Popen(command, stdout=log, stderr=log) as process:
            try:
                wait_for(process, port, top / "log")
                inside(port)
                used(data, port, token)
            finally:
                process.terminate()
                process.wait(60)
            print((top / "log").read_text().strip())
            print(f"stopped: {process.returncode}")
    finally:
        shutil.rmtree(top, ignore_errors=True)


def wait_for(process: "subprocess.Popen[bytes]", port: int, log: Path) -> None:
    deadline = time.monotonic() + 120
    while True:
        try:
            socket.create_connection(("127.0.0.1", port), 1).close()
            return
        except OSError:
            assert process.poll() is None, log.read_text()
            assert time.monotonic() < deadline
            time.sleep(0.1)


def inside(port: int) -> None:
    """What the kernel says of the server's rights."""
    found = run("ss", "-ltnpH", f"sport = :{port}")
    number = found.partition("pid=")[2].partition(",")[0]
    for line in Path(f"/proc/{number}/status").read_text().splitlines():
        if line.startswith(("Uid", "CapEff", "NoNewPrivs", "Seccomp:")):
            print(line)
    mounts = Path(f"/proc/{number}/mounts").read_text().splitlines()
    roots = [line.split()[3].split(",")[0] for line in mounts if line.split()[1] == "/"]
    print(f"root: {roots[-1]}")


def used(data: Path, port: int, token: str) -> None:
    """Send a photo, and look."""
    taken = datetime.now(UTC).replace(microsecond=0) - timedelta(minutes=1)
    phone = Phone(
        number=0, port=port, token=token, photo=photo_taken(taken, None), taken=taken, ended=threading.Event()
    )
    begun = time.monotonic()
    phone.one_run("k7m3q2xz")
    print(f"a photo read in {time.monotonic() - begun:.1f} s: {list(phone.readings.values())}")
    with urllib.request.urlopen(f"http://127.0.0.1:{port}/health", timeout=60) as answer:
        print(json.load(answer))
    problems = check(data, [phone])
    assert not problems, problems


if __name__ == "__main__":
    main()
