#!/bin/sh
# wall.sh wait      returns when the screens answer
# wall.sh screen    shows the wall on the whole screen, without a desktop, until it is ended
# wall.sh browser   shows the wall, until it is ended
set -eu
url="@URL@"
authority="@CA@"
case "${1:-}" in
wait)
    until curl --fail --silent --show-error --max-time 5 ${authority:+--cacert "$authority"} \
        --output /dev/null "$url/healthz"; do sleep 2; done
    ;;
screen)
    # Not by exec: a cage that cannot start would wait for ever for a helper of systemd's, which it
    # takes for its own, and the screen would stay dark without a word.
    cage -s -- "$0" browser &
    cage=$!
    ended=1
    trap 'ended=0; kill "$cage"' TERM INT
    wait "$cage" || true
    wait "$cage" || true
    exit "$ended"
    ;;
browser)
    export HOME="${HOME:-/var/lib/envmon-wall}"
    if [ -n "$authority" ]; then
        # Chromium takes authorities from this database of the user. Asked to make one that is there,
        # certutil would wait at the screen for a password.
        base="$HOME/.pki/nssdb"
        mkdir -p "$base"
        [ -f "$base/cert9.db" ] || certutil -d "sql:$base" -N --empty-password </dev/null
        certutil -d "sql:$base" -D -n envmon </dev/null 2>/dev/null || true
        certutil -d "sql:$base" -A -t C,, -n envmon -i "$authority" </dev/null
    fi
    # Sound without a touch; no pinch, no "restore pages", nothing fetched in the background.
    exec "${CHROMIUM:-chromium}" --kiosk --noerrdialogs --disable-infobars --no-first-run \
        --disable-session-crashed-bubble --disable-pinch --overscroll-history-navigation=0 \
        --disable-background-networking --autoplay-policy=no-user-gesture-required \
        --ozone-platform-hint=auto --user-data-dir="$HOME/chromium" "$url/"
    ;;
*)
    echo "wall.sh: say wait, screen or browser" >&2
    exit 2
    ;;
esac
