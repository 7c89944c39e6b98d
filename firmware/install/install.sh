#!/usr/bin/env bash
# Puts Spotwright on a Raspberry Pi (Raspberry Pi OS on the base of Debian 12 or 13; plain Debian works too):
#
#     sudo bash firmware/install/install.sh
#
# From a checkout it takes packages from the network; from an unpacked release file it needs none. Run it again after an
# update: it keeps every reading. The program that runs stays until the new one has answered; where that does not
# answer, the old one goes on. The one before is kept.
# --no-start: do not switch the service on. --back: let the program from before the newest update run again.
set -euo pipefail

here=$(cd "$(dirname "$0")" && pwd) checkout=$(cd "$(dirname "$0")/../.." && pwd)
place=/opt/spotwright settings=/etc/default/spotwright profile=/etc/spotwright/rig.toml start=yes
wheels=$checkout/wheels # only in a release file

refuse() { printf 'install: %s\n' "$1" >&2; exit 2; }
say() { printf '== %s\n' "$1"; }

for word in "$@"; do
    case $word in
        --no-start) start=no ;;
        --back) exec bash "$here/switch" --back ;;
        *) refuse "$word: the options are --no-start and --back" ;;
    esac
done
[ "$(id -u)" = 0 ] || refuse "not root: sudo bash $0"

. /etc/os-release
# The system's picamera2 is built for the system's numpy: each base has versions that go with it.
base=${VERSION_ID:-none}
pinned=$here/pinned-debian-$base.txt
case ${ID:-}${ID_LIKE:-} in *debian* | *raspbian*) ;; *) refuse "${PRETTY_NAME:-this system} is not Debian" ;; esac
[ -e "$pinned" ] || refuse "Debian ${VERSION_ID:-?} is neither 12 nor 13: install by hand, see docs/install.md"

say "packages of the system (Debian $base)"
export DEBIAN_FRONTEND=noninteractive
needed=(python3 python3-numpy) optional=(python3-picamera2 python3-gpiozero python3-lgpio)
if [ -d "$wheels" ]; then
    (cd "$checkout" && sha256sum --quiet --check SHA256SUMS) || refuse "this release is damaged: copy it again"
else
    needed+=(ca-certificates python3-venv)
fi
there() { [ "$(dpkg-query -W -f '${db:Status-Status}' "$1" 2>/dev/null)" = installed ]; }
wanted=()
for name in "${needed[@]}" "${optional[@]}"; do there "$name" || wanted+=("$name"); done
# a Pi's image has them all; what is missing comes from the network, and without one the optional ones stay away
if [ ${#wanted[@]} -gt 0 ]; then
    apt-get update -qq 2>/dev/null || true
    for name in "${wanted[@]}"; do
        apt-get install -y -qq --no-install-recommends "$name" >/dev/null 2>&1 || missing+=" $name"
    done
fi
for name in "${needed[@]}"; do
    there "$name" || refuse "$name is missing and cannot be had: connect this machine to the network once"
done
[ -z "${missing:-}" ] || echo "cannot be had here:$missing (a USB camera works without)"

say "a user of its own"
for group in video gpio; do getent group "$group" >/dev/null || groupadd --system "$group"; done
getent passwd spotwright >/dev/null ||
    useradd --system --user-group --home-dir /var/lib/spotwright --shell /usr/sbin/nologin spotwright
usermod --append --groups video,gpio spotwright
install -d -m 750 -o spotwright -g spotwright /var/lib/spotwright

say "the program in $place"
# Built beside the running one, by the service's own user: what a package does while it is installed, it does without
# rights. When it is whole it belongs to root, so that the service cannot change its own program.
install -d "$place"
fresh=$(mktemp -d "$place/XXXXXXXX")
work=$(mktemp -d)
trap 'rm -rf "$fresh" "$work"' EXIT
chmod 755 "$fresh" "$work"
if [ -d "$wheels" ]; then
    cp -r "$wheels" "$work/wheels"
else
    mkdir "$work/source"
    tar c -C "$checkout" --exclude=__pycache__ firmware vision server pyproject.toml README.md LICENSE |
        tar x -C "$work/source" --no-same-owner
fi
cp "$pinned" "$work/pinned.txt"
# 32-bit packages are not in the index itself but where Raspberry Pi OS gets them: pinned by version alone
hashes=--require-hashes
case $(dpkg --print-architecture) in
    amd64 | arm64) ;;
    *) hashes='' && sed -i '/--hash=/d; s/ \\$//' "$work/pinned.txt" && echo "no hashes for this kind of processor" ;;
esac
chown -R spotwright:spotwright "$fresh" "$work"

as_user() {
    (cd "$work" && runuser -u spotwright -- env -i PATH=/usr/bin:/bin HOME="$work" TMPDIR="$work" LC_ALL=C.UTF-8 \
        PIP_CERT="${PIP_CERT:-/etc/ssl/certs/ca-certificates.crt}" PIP_DEFAULT_TIMEOUT="${PIP_DEFAULT_TIMEOUT:-60}" \
        ${PIP_INDEX_URL:+PIP_INDEX_URL="$PIP_INDEX_URL"} "$@")
}
bundled=$(echo "$work"/wheels/pip-*.whl) # in a release pip itself is one of the wheels: the system's may be absent
[ -e "$bundled" ] || bundled=''
pip() {
    as_user env PYTHONPATH="$bundled" "$fresh/bin/python" -m pip "$1" -q --disable-pip-version-check --no-input \
        --no-cache-dir --no-deps "${@:2}"
}

if [ -n "$bundled" ]; then
    as_user python3 -m venv --without-pip --system-site-packages "$fresh"
    pip install --no-index $hashes --ignore-installed --find-links "$work/wheels" -r "$work/pinned.txt"
    pip install --no-index "$work"/wheels/spotwright-*.whl
else
    as_user python3 -m venv --system-site-packages "$fresh"
    pip install --only-binary :all: $hashes --ignore-installed -r "$work/pinned.txt"
    pip install --no-build-isolation "$work/source"
fi
as_user "$fresh/bin/python" - <<'check'
import cv2, numpy
print(f"numpy {numpy.__version__}, OpenCV {cv2.__version__}")
try:
    import picamera2
except ImportError as error:
    print(f"without picamera2 ({error}): the Pi's own camera does not work, a USB camera does")
check
as_user "$fresh/bin/spotwright" --version
install -m 644 "$here/spotwright.service" "$fresh"
install -m 755 "$here/switch" "$fresh"
chown -R root:root "$fresh"

say "whether the new one answers"
# on a port and with readings of its own: the running one is not disturbed
as_user "$fresh/bin/python" - "$fresh/bin/spotwright" "$work/trial" <<'trial' || refuse "the new program does not answer: the old one stays"
import socket, subprocess, sys, time, urllib.request
with socket.create_server(("127.0.0.1", 0)) as free:
    port = free.getsockname()[1]
program = subprocess.Popen([sys.argv[1], "serve", "--port", str(port), "--data", sys.argv[2]], stdout=subprocess.DEVNULL)
try:
    for _ in range(600):  # five minutes: a slow card, or a processor that is emulated
        time.sleep(0.5)
        try:
            with urllib.request.urlopen(f"http://127.0.0.1:{port}/api/state", timeout=10) as answer:
                sys.exit(0 if answer.status == 200 else 1)
        except OSError:
            if program.poll() is not None:
                break
    sys.exit(1)
finally:
    program.terminate()
    program.wait()
trial

say "settings, service, command"
install -d "${settings%/*}" "${profile%/*}"
[ -e "$settings" ] || install -m 640 -g spotwright "$here/spotwright.default" "$settings"
[ -e "$profile" ] || install -m 644 "$here/rig.toml" "$profile"
install -m 755 "$here/spotwright.command" /usr/local/bin/spotwright
old=$(readlink "$place/current" || true)

[ -n "$old" ] || trap 'rm -rf "$work"' EXIT # a first one that does not run stays, to be looked at
if [ "$start" = yes ] && [ -d /run/systemd/system ]; then
    bash "$here/switch" "$fresh"
    trap 'rm -rf "$work"' EXIT
    journalctl -u spotwright.service -n 5 -o cat --no-pager
    echo "Running. What is well and what is not:  sudo spotwright doctor"
else
    bash "$here/switch" "$fresh" --no-start
    trap 'rm -rf "$work"' EXIT
    echo "Installed, not started. To start it:  systemctl enable --now spotwright"
fi
find "$place" -mindepth 1 -maxdepth 1 -type d ! -path "$fresh" ! -path "${old:-none}" -exec rm -rf {} +
