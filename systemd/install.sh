#!/bin/sh
# Installs stumblelog on Debian or Raspberry Pi OS; may be run again, then it upgrades and keeps settings, data and
# pass-phrase.
#   sudo systemd/install.sh [--hotspot]
set -eu

[ "$(id -u)" = 0 ] || { echo "install.sh: needs root: run it with sudo" >&2; exit 2; }
hotspot=no
for option in "$@"; do
    case "$option" in
        --hotspot) hotspot=yes ;;
        *) echo "install.sh: unknown option $option; known is --hotspot" >&2; exit 2 ;;
    esac
done
here=$(cd "$(dirname "$0")" && pwd)

install -m 644 "$here/stumblelog.sysusers" /usr/lib/sysusers.d/stumblelog.conf
install -m 644 "$here/stumblelog.tmpfiles" /usr/lib/tmpfiles.d/stumblelog.conf
systemd-sysusers /usr/lib/sysusers.d/stumblelog.conf
systemd-tmpfiles --create /usr/lib/tmpfiles.d/stumblelog.conf

[ -x /opt/stumblelog/bin/python ] || python3 -m venv /opt/stumblelog
/opt/stumblelog/bin/pip install --quiet --upgrade "$here/..[pi]"

install -d -m 755 /etc/stumblelog
settings=$(/opt/stumblelog/bin/python -c 'from logger.settings import DEFAULT_FILE; print(DEFAULT_FILE)')
[ -e /etc/stumblelog/settings.toml ] || install -m 644 "$settings" /etc/stumblelog/settings.toml
if [ ! -e /etc/stumblelog/page.env ]; then
    install -m 644 "$here/page.env" /etc/stumblelog/page.env
    # A hot spot was asked for so that others can read there; they are asked for the page's pass-phrase.
    [ "$hotspot" = no ] || sed -i 's/^STUMBLELOG_HOST=.*/STUMBLELOG_HOST=10.42.0.1/' /etc/stumblelog/page.env
fi
install -d /etc/systemd/journald.conf.d
install -m 644 "$here/journald-stumblelog.conf" /etc/systemd/journald.conf.d/stumblelog.conf

if [ "$hotspot" = yes ] && [ ! -e /etc/NetworkManager/system-connections/stumblelog-hotspot.nmconnection ]; then
    passphrase=$(tr -dc 'a-hjkmnp-z2-9' </dev/urandom | head -c 12)
    profile=/etc/NetworkManager/system-connections/stumblelog-hotspot.nmconnection
    install -m 600 /dev/null "$profile"
    sed "s/@PASSPHRASE@/$passphrase/" "$here/stumblelog-hotspot.nmconnection" >"$profile"
    nmcli connection reload
    echo "Hot spot: network stumblelog, pass-phrase $passphrase (shown this once; it is in $profile)"
    echo "Switch it on with: nmcli connection up stumblelog-hotspot"
fi

# Before the page starts: one that finds no pass-phrase asks nobody, or refuses to listen where others can reach it.
made=
if [ ! -e /var/lib/stumblelog/access/pass-phrase.json ]; then
    host=$(sed -n 's/^STUMBLELOG_HOST=//p' /etc/stumblelog/page.env)
    port=$(sed -n 's/^STUMBLELOG_PORT=//p' /etc/stumblelog/page.env)
    made=$(runuser -u stumblelog -- env PYTHONIOENCODING=utf-8 /opt/stumblelog/bin/stumblelog serve --new-pass-phrase \
        --data-dir /var/lib/stumblelog --host "${host:-127.0.0.1}" --port "${port:-8765}")
fi

for unit in stumblelog-recorder.service stumblelog-page.service stumblelog-power-off.path stumblelog-power-off.service; do
    install -m 644 "$here/$unit" "/etc/systemd/system/$unit"
done
systemctl daemon-reload
systemctl enable stumblelog-recorder.service stumblelog-page.service stumblelog-power-off.path
systemctl restart stumblelog-recorder.service stumblelog-page.service stumblelog-power-off.path
systemctl --no-pager --lines=0 status stumblelog-recorder.service stumblelog-page.service || true
echo "Settings: /etc/stumblelog/settings.toml   Recordings: /var/lib/stumblelog   Page: see /etc/stumblelog/page.env"
[ -z "$made" ] || printf '\n%s\n' "$made"
