#!/bin/sh
# A Debian for arm64 under emulation: the README's first command, a visit, and the kill test in it.
#
#     sudo tests/arm64.sh [FOLDER]
#
# Needs Debian or Ubuntu with debootstrap, qemu-user-static and binfmt-support, as root, about
# 4 GB and a quarter to half an hour of one idle core, best with FOLDER in memory (tmpfs).
# Not part of .ci/run. Packages come from where apt and pip of this machine take theirs; MIRROR
# and SUITE say otherwise. Leaves the system in FOLDER (default /var/tmp/cardreader-arm64), which
# a second run uses again. With SHOTS=FOLDER and PYTHON=one with the test extra, this machine's
# browser takes pictures of the pages that are served in there.
set -eu

folder=${1:-/var/tmp/cardreader-arm64}
suite=${SUITE:-bookworm}
here=$(CDPATH= cd -- "$(dirname -- "$0")/.." && pwd)
bundle=/etc/ssl/certs/ca-certificates.crt

[ "$(id -u)" = 0 ] || { echo "run as root: debootstrap and chroot need it" >&2; exit 2; }
for program in debootstrap update-binfmts tar; do
  command -v "$program" >/dev/null || { echo "$program is missing" >&2; exit 2; }
done

# The kernel hands arm64 programs to the emulator.
binfmt=/proc/sys/fs/binfmt_misc
[ -e "$binfmt/register" ] || mount -t binfmt_misc binfmt_misc "$binfmt"
[ -e "$binfmt/qemu-aarch64" ] || update-binfmts --enable qemu-aarch64
[ -e "$binfmt/qemu-aarch64" ] || { echo "qemu-user-static is missing" >&2; exit 2; }

inside() {
  chroot "$folder" /usr/bin/env -i HOME=/root PATH=/usr/sbin:/usr/bin:/sbin:/bin LANG=C.UTF-8 \
    $(env | grep -E '^(PIP_[A-Z_]+|https?_proxy|HTTPS?_PROXY|no_proxy)=[^ ]*$' || true) "$@"
}
timed() {
  start=$(date +%s)
  inside "$@"
  echo "-- $(($(date +%s) - start)) s"
}

if [ ! -e "$folder/root/.built" ]; then
  mirror=${MIRROR:-$(apt-get indextargets --format '$(REPO_URI)' \
    'Created-By: Packages' 'Component: main' "Release: $suite" | head -n 1)}
  [ -n "$mirror" ] || { echo "apt knows no $suite here: name a MIRROR and a SUITE" >&2; exit 2; }
  debootstrap --arch=arm64 --variant=minbase --include=python3,python3-venv,ca-certificates \
    "$suite" "$folder" "$mirror"
  touch "$folder/root/.built"
fi
# What this machine reaches the package indexes by.
for file in /etc/resolv.conf /etc/pip.conf /etc/xdg/pip/* "$bundle"; do
  [ ! -e "$file" ] || install -D -m 644 "$file" "$folder$file"
done
mountpoint -q "$folder/proc" || mount -t proc proc "$folder/proc"
trap 'umount "$folder/proc"' EXIT

# The checkout as committed, at the place where it is worked on inside.
rm -rf "$folder/opt/cardreader" && mkdir -p "$folder/opt/cardreader"
git -C "$here" archive HEAD | tar -x -C "$folder/opt/cardreader"

echo "== the README's first command"
timed sh -ec 'uname -m && cd /opt/cardreader && python3 -m venv .venv && .venv/bin/pip install -q . &&
  .venv/bin/cardreader read sample_images/good/moderate-8.3-tube.jpg'

echo "== the lean extra, and what it weighs"
timed sh -ec 'cd /opt/cardreader && rm -rf .venv && python3 -m venv .venv &&
  .venv/bin/pip install -q ".[phone]"'
inside sh -ec 'cd /opt/cardreader && .venv/bin/python tests/benchmarks/weight.py'

echo "== a photo, and a visit"
timed sh -ec 'cd /opt/cardreader &&
  .venv/bin/cardreader read sample_images/good/moderate-8.3-tube.jpg --json >/dev/null'
rm -rf "$folder/root/register"
"${PYTHON:-python3}" "$here/tests/benchmarks/here.py" ${SHOTS:+--shots "$SHOTS"} --data /root/register \
  -- chroot "$folder" /usr/bin/env -i HOME=/root PATH=/usr/bin:/bin LANG=C.UTF-8 \
  /opt/cardreader/.venv/bin/cardreader

echo "== the server killed at any instant"
timed sh -ec 'cd /opt/cardreader && .venv/bin/pip install -q pytest hypothesis httpx2 playwright numpy &&
  .venv/bin/python -m pytest -q tests/web/test_here.py -p no:cacheprovider'
