#!/bin/sh
# Puts the files made by `envmon install` into their places on this machine. Read it, then run it as
# root. A mosquitto.conf that is there is kept beside the new one as mosquitto.conf.before-envmon.
set -eu
here="$(cd "$(dirname "$0")" && pwd)"
booted() { [ -d /run/systemd/system ]; }
[ "$(id -u)" = 0 ] && root=yes || root=no

place() { # MODE FILE
    case "$2" in
    */mosquitto.conf)
        if [ -e "$2" ] && ! grep -q "made by .envmon install" "$2"; then
            cp -p "$2" "$2.before-envmon"
        fi
        ;;
    esac
    mkdir -p "$(dirname "$2")"
    install -m "$1" "$here/root$2" "$2"
}
owned() { # USER FILE: as far as there is such a user, and such a file
    [ "$root" = yes ] && [ -e "$2" ] && id -u "$1" >/dev/null 2>&1 || return 0
    chown -R -h "$1:" "$2"
}

@PLACE@
if booted; then
    systemd-sysusers "@SYSUSERS@"
    systemd-tmpfiles --create "@TMPFILES@"
fi
mkdir -p "@DATA@" "@BACKUPS@"
chmod 0750 "@DATA@"
chmod 0700 "@BACKUPS@"
owned "@USER@" "@DATA@"
owned "@USER@" "@BACKUPS@"
if [ "$root" = yes ] && id -u "@USER@" >/dev/null 2>&1; then
    chown "@USER@:" "@SHOP_FOLDER@"
fi
for kept in "@SHOP_FILE@" tls broker_password people.toml channels.toml secrets.env; do
    owned "@USER@" "@SHOP_FOLDER@/$kept"
done
@BROKER@[ -z "@CERTIFICATE_TIMER@" ] || "@LIB@/certificates.sh"
if booted; then
    systemctl daemon-reload
    systemctl restart systemd-journald
    @RESTART_BROKER@
    systemctl enable --now envmon-backup.timer @CERTIFICATE_TIMER@
    # What runs already takes its new unit by a start anew; readings wait at the broker meanwhile.
    systemctl enable envmon
    systemctl restart envmon
    systemctl try-restart envmon-node envmon-wall
fi
echo "in place; the screens are at @URL@/"
