#!/bin/sh
# wall.sh wait      returns when the screens answer
# wall.sh browser   shows the wall, until it is ended
set -eu
url="@URL@"
authority="@CA@"
case "${1:-}" in
wait)
    until curl --fail --silent --show-error --max-time 5 ${authority:+--cacert "$authority"} \
        --output /dev/null "$url/healthz"; do sleep 2; done
    ;;
browser)
    export HOME="${HOME:-/var/lib/envmon-wall}"
    if [ -n "$authority" ]; then
        # Chromium takes authorities from this database of the user.
        mkdir -p "$HOME/.pki/nssdb"
        certutil -d "sql:$HOME/.pki/nssdb" -N --empty-password 2>/dev/null || true
        certutil -d "sql:$HOME/.pki/nssdb" -D -n envmon 2>/dev/null || true
        certutil -d "sql:$HOME/.pki/nssdb" -A -t C,, -n envmon -i "$authority"
    fi
    # Sound without a touch; no pinch, no "restore pages", nothing fetched in the background.
    exec "${CHROMIUM:-chromium}" --kiosk --noerrdialogs --disable-infobars --no-first-run \
        --disable-session-crashed-bubble --disable-pinch --overscroll-history-navigation=0 \
        --disable-background-networking --autoplay-policy=no-user-gesture-required \
        --ozone-platform-hint=auto --user-data-dir="$HOME/chromium" "$url/"
    ;;
*)
    echo "wall.sh: say wait or browser" >&2
    exit 2
    ;;
esac
