#!/usr/bin/env bash
# Puts Spotwright on a Raspberry Pi (Raspberry Pi OS on the base of Debian 12 or 13; plain Debian works too):
#
#     sudo bash firmware/install/install.sh
#
# Run it again after an update of the checkout: it changes what has changed and keeps every reading.
# --no-start: do not switch the service on.
set -euo pipefail

here=$(cd "$(dirname "$0")" && pwd) checkout=$(cd "$(dirname "$0")/../.." && pwd)
place=/opt/spotwright settings=/etc/default/spotwright profile=/etc/spotwright/rig.toml
start=yes

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
# The system's picamera2 is built for the system's numpy: bounds by base keep both together.
base=${VERSION_ID:-none}
bounds=$here/bounds-debian-$base.txt
case ${ID:-}${ID_LIKE:-} in *debian* | *raspbian*) ;; *) refuse "${PRETTY_NAME:-this system} is not Debian" ;; esac
[ -e "$bounds" ] || refuse "Debian ${VERSION_ID:-?} is neither 12 nor 13: install by hand, see docs/install.md"

say "packages of the system (Debian $base)"
export DEBIAN_FRONTEND=noninteractive
export PIP_CERT=${PIP_CERT:-/etc/ssl/certs/ca-certificates.crt} # pip's own list may lack what the system trusts
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
# built beside the running one and switched over at the end: a broken download changes nothing
install -d "$place"
fresh=$(mktemp -d "$place/XXXXXXXX")
trap 'rm -rf "$fresh"' EXIT
chmod 755 "$fresh"
python3 -m venv --system-site-packages "$fresh"
"$fresh/bin/python" -m pip install -q --disable-pip-version-check --no-input -c "$bounds" "$checkout"
"$fresh/bin/python" - <<'check'
import cv2, numpy
print(f"numpy {numpy.__version__}, OpenCV {cv2.__version__}")
try:
    import picamera2
except ImportError as error:
    print(f"without picamera2 ({error}): the Pi's own camera does not work, a USB camera does")
check
"$fresh/bin/spotwright" --version
trap - EXIT
ln -sfn "$fresh" "$place/current.new"
mv -T "$place/current.new" "$place/current"

say "settings, service, command"
install -d "${settings%/*}" "${profile%/*}"
[ -e "$settings" ] || install -m 640 -g spotwright "$here/spotwright.default" "$settings"
[ -e "$profile" ] || install -m 644 "$here/rig.toml" "$profile"
install -m 755 "$here/spotwright.command" /usr/local/bin/spotwright
install -m 644 "$here/spotwright.service" /etc/systemd/system/spotwright.service

find "$place" -mindepth 1 -maxdepth 1 -type d ! -path "$fresh" -exec rm -rf {} +

if [ "$start" = yes ] && [ -d /run/systemd/system ]; then
    systemctl daemon-reload
    systemctl enable --quiet spotwright.service
    systemctl restart spotwright.service
    journalctl -u spotwright.service -n 5 -o cat --no-pager
    echo "Running. What is well and what is not:  sudo spotwright doctor"
else
    echo "Installed, not started. To start it:  systemctl enable --now spotwright"
fi
