#!/usr/bin/env bash
# Puts Spotwright on a Raspberry Pi (Raspberry Pi OS on the base of Debian 12 or 13; plain Debian works too):
#
#     sudo bash firmware/install/install.sh
#
# Run it again after an update of the checkout: it changes what has changed and keeps every reading. The program that
# runs stays until the new one has answered; where that does not answer, the old one goes on.
# --no-start: do not switch the service on.
set -euo pipefail

here=$(cd "$(dirname "$0")" && pwd) checkout=$(cd "$(dirname "$0")/../.." && pwd)
place=/opt/spotwright settings=/etc/default/spotwright profile=/etc/spotwright/rig.toml
unit=/etc/systemd/system/spotwright.service start=yes

refuse() { printf 'install: %s\n' "$1" >&2; exit 2; }
say() { printf '== %s\n' "$1"; }

for word in "$@"; do
    case $word in
        --no-start) start=no ;;
        *) refuse "$word: the only option is --no-start" ;;
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
apt-get update -qq
packages=(ca-certificates python3 python3-numpy python3-venv)
for wanted in python3-picamera2 python3-gpiozero python3-lgpio; do
    if apt-cache show "$wanted" >/dev/null 2>&1; then packages+=("$wanted"); else missing+=" $wanted"; fi
done
apt-get install -y -qq --no-install-recommends "${packages[@]}" >/dev/null
[ -z "${missing:-}" ] || echo "not in this system's archive:$missing (a USB camera works without)"

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
mkdir "$work/source"
tar c -C "$checkout" --exclude=__pycache__ firmware vision server pyproject.toml README.md LICENSE |
    tar x -C "$work/source" --no-same-owner
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
pip() { as_user "$fresh/bin/python" -m pip "$1" -q --disable-pip-version-check --no-input --no-cache-dir "${@:2}"; }

as_user python3 -m venv --system-site-packages "$fresh"
pip install --no-deps --only-binary :all: $hashes --ignore-installed -r "$work/pinned.txt"
pip install --no-deps --no-build-isolation "$work/source"
as_user "$fresh/bin/python" - <<'check'
import cv2, numpy
print(f"numpy {numpy.__version__}, OpenCV {cv2.__version__}")
try:
    import picamera2
except ImportError as error:
    print(f"without picamera2 ({error}): the Pi's own camera does not work, a USB camera does")
check
as_user "$fresh/bin/spotwright" --version
chown -R root:root "$fresh"

say "whether the new one answers"
# on a port and with readings of its own: the running one is not disturbed
as_user "$fresh/bin/python" - "$fresh/bin/spotwright" "$work/trial" <<'trial' || refuse "the new program does not answer: the old one stays"
import socket, subprocess, sys, time, urllib.request
with socket.create_server(("127.0.0.1", 0)) as free:
    port = free.getsockname()[1]
program = subprocess.Popen([sys.argv[1], "serve", "--port", str(port), "--data", sys.argv[2]], stdout=subprocess.DEVNULL)
try:
    for _ in range(120):
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
old=$(readlink "$place/current" || true)
if [ -e "$unit" ]; then cp "$unit" "$work/unit.old"; fi

use() { # program, unit
    ln -sfn "$1" "$place/current.new"
    mv -T "$place/current.new" "$place/current"
    install -m 644 "$2" "$unit"
}
# The service says that it is ready when its page listens, or its camera is taken up; then it has to stay so.
lives() {
    systemctl daemon-reload && systemctl restart spotwright.service && sleep "${SETTLE_S:-10}" &&
        systemctl is-active --quiet spotwright.service
}

use "$fresh" "$here/spotwright.service"
trap 'rm -rf "$work"' EXIT
install -m 755 "$here/spotwright.command" /usr/local/bin/spotwright

if [ "$start" = yes ] && [ -d /run/systemd/system ]; then
    systemctl enable --quiet spotwright.service
    if ! lives; then
        journalctl -u spotwright.service -n 20 -o cat --no-pager || true
        if [ -n "$old" ] && [ -x "$old/bin/spotwright" ]; then
            use "$old" "${work}/unit.old"
            lives || true
            rm -rf "$fresh"
            refuse "the new program did not stay up, see above: the old one runs again"
        fi
        refuse "the program does not stay up, see above"
    fi
    journalctl -u spotwright.service -n 5 -o cat --no-pager
    echo "Running. What is well and what is not:  sudo spotwright doctor"
else
    echo "Installed, not started. To start it:  systemctl enable --now spotwright"
fi
find "$place" -mindepth 1 -maxdepth 1 -type d ! -path "$fresh" -exec rm -rf {} +
