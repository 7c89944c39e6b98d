#!/bin/sh
# The program with the service's own data: as root it becomes the service's user first.
set -a
[ -r /etc/default/spotwright ] && . /etc/default/spotwright
set +a
if [ "$(id -u)" = 0 ]; then
    exec runuser -u spotwright -- env XDG_DATA_HOME=/var/lib LG_WD=/tmp /opt/spotwright/current/bin/spotwright "$@"
fi
exec /opt/spotwright/current/bin/spotwright "$@"
