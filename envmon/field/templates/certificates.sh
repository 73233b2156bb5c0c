#!/bin/sh
# Renews the certificate when it is due, and gives the broker its copy. Run as root; what lies in
# envmon's own folder is read and written as envmon, so that nothing there can lead root astray.
set -eu
tls="@SHOP_FOLDER@/tls"
etc="@ETC@"
before="$(cat "$tls/shop.pem" 2>/dev/null || true)"
@AS_USER@"${VENV:-@VENV@}/bin/envmon" certificates "@SHOP@"
changed=no
[ "$before" = "$(cat "$tls/shop.pem")" ] || changed=yes
# The wall runs as another user, who sees nothing of envmon's folder.
@AS_USER@cat "$tls/ca.pem" | install -m 0644 /dev/stdin "@LIB@/ca.pem"

if [ -f "$etc/envmon.acl" ] && ! cmp -s "$tls/shop.pem" "$etc/certs/envmon.pem"; then
    mkdir -p "$etc/certs"
    @AS_USER@cat "$tls/shop.key" | install -m 0600 /dev/stdin "$etc/certs/envmon.key"
    @AS_USER@cat "$tls/shop.pem" | install -m 0644 /dev/stdin "$etc/certs/envmon.pem"
    if [ "$(id -u)" = 0 ] && id -u "@BROKER_USER@" >/dev/null 2>&1; then
        chown -R "@BROKER_USER@:" "$etc/certs"
    fi
    # A slim Debian lacks the kill that Mosquitto's unit reloads with.
    [ ! -d /run/systemd/system ] || systemctl try-reload-or-restart mosquitto \
        || systemctl try-restart mosquitto
fi
if [ "$changed" = yes ] && [ -d /run/systemd/system ]; then
    systemctl try-restart envmon
fi
