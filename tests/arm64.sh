#!/bin/sh
# A Debian for arm64 under emulation: the README's first command, a visit, and the kill test in it.
#
#     sudo tests/arm64.sh [FOLDER]
#
# Needs Debian or Ubuntu with debootstrap, qemu-user-static and binfmt-support, as root, about 4 GB
# and an hour: emulated, all takes ten times as long or more. Not part of .ci/run. Leaves the
# system in FOLDER (default /var/tmp/cardreader-arm64), which a second run uses again.
set -eu

folder=${1:-/var/tmp/cardreader-arm64}
suite=${SUITE:-bookworm}
mirror=${MIRROR:-http://deb.debian.org/debian}
here=$(CDPATH= cd -- "$(dirname -- "$0")/.." && pwd)

[ "$(id -u)" = 0 ] || { echo "run as root: debootstrap and chroot need it" >&2; exit 2; }
for program in debootstrap qemu-aarch64-static tar; do
  command -v "$program" >/dev/null || { echo "$program is missing" >&2; exit 2; }
done

inside() { chroot "$folder" /usr/bin/env -i HOME=/root PATH=/usr/sbin:/usr/bin:/sbin:/bin LANG=C.UTF-8 "$@"; }

if [ ! -e "$folder/etc/debian_version" ]; then
  debootstrap --arch=arm64 --foreign --include=python3,python3-venv,ca-certificates \
    "$suite" "$folder" "$mirror"
  install -D "$(command -v qemu-aarch64-static)" "$folder/usr/bin/qemu-aarch64-static"
  inside /debootstrap/debootstrap --second-stage
fi
cp /etc/resolv.conf "$folder/etc/resolv.conf"
mkdir -p "$folder/proc"
mountpoint -q "$folder/proc" || mount -t proc proc "$folder/proc"
trap 'umount "$folder/proc"' EXIT

# The checkout as committed, at the place where it is worked on inside.
rm -rf "$folder/opt/cardreader" && mkdir -p "$folder/opt/cardreader"
git -C "$here" archive HEAD | tar -x -C "$folder/opt/cardreader"

echo "== the README's first command"
inside sh -ec 'uname -m && cd /opt/cardreader && python3 -m venv .venv && .venv/bin/pip install -q . &&
  .venv/bin/cardreader read sample_images/good/moderate-8.3-tube.jpg'

echo "== the lean extra, and what it weighs"
inside sh -ec 'cd /opt/cardreader && rm -rf .venv && python3 -m venv .venv &&
  .venv/bin/pip install -q ".[phone]" && du -sm .venv'

echo "== a visit, and the server killed at any instant"
inside sh -ec 'cd /opt/cardreader && .venv/bin/pip install -q pytest httpx2 playwright numpy &&
  .venv/bin/python -m pytest -q tests/web/test_here.py -p no:cacheprovider'
