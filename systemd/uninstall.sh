#!/bin/sh
# Takes stumblelog off again. Recordings and settings stay, unless --purge is given.
set -eu

[ "$(id -u)" = 0 ] || { echo "uninstall.sh: needs root: run it with sudo" >&2; exit 2; }
purge=no
for option in "$@"; do
    case "$option" in
        --purge) purge=yes ;;
        *) echo "uninstall.sh: unknown option $option; known is --purge" >&2; exit 2 ;;
    esac
done

for unit in stumblelog-power-off.path stumblelog-power-off.service stumblelog-page.service stumblelog-recorder.service; do
    systemctl disable --now "$unit" 2>/dev/null || true
    rm -f "/etc/systemd/system/$unit"
done
rm -f /usr/lib/sysusers.d/stumblelog.conf /usr/lib/tmpfiles.d/stumblelog.conf
rm -f /etc/systemd/journald.conf.d/stumblelog.conf
rm -f /etc/NetworkManager/system-connections/stumblelog-hotspot.nmconnection
rm -rf /opt/stumblelog /run/stumblelog
systemctl daemon-reload
if [ "$purge" = yes ]; then
    rm -rf /var/lib/stumblelog /etc/stumblelog
    echo "Removed, with all recordings and settings."
else
    echo "Removed. Recordings are still in /var/lib/stumblelog, settings in /etc/stumblelog."
fi
