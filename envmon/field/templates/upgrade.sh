#!/bin/sh
# Brings a new version in: upgrade.sh FOLDER, where FOLDER holds its source with .ci/constraints.txt.
# Run as root. All is fetched and installed before envmon is stopped; what was is kept beside it, and
# way-back.sh brings it back. While envmon is stopped the nodes' readings wait at the broker.
set -eu
new="${1:-}"
venv="${VENV:-@VENV@}"
backups="${BACKUPS:-@BACKUPS@}"
stop="${STOP:-systemctl stop envmon}"
start="${START:-systemctl start envmon}"
if [ ! -f "$new/pyproject.toml" ] || [ ! -f "$new/.ci/constraints.txt" ]; then
    echo "upgrade.sh: give the folder with the new version (pyproject.toml, .ci/constraints.txt)" >&2
    exit 2
fi
new="$(cd "$new" && pwd)"
next="$venv.next"
trap 'rm -rf "$next" "$venv.gone"' EXIT
rm -rf "$next" "$venv.gone"
python3 -m venv "$next"
"$next/bin/pip" install --quiet --disable-pip-version-check -c "$new/.ci/constraints.txt" "$new[node]"
if ! "$next/bin/envmon" check "@SHOP@"; then
    echo "upgrade.sh: the new version does not take the shop file; nothing was changed" >&2
    exit 1
fi
# Its commands name the folder they were made in; they are to stand where envmon is started from.
for command in "$next"/bin/* "$next/pyvenv.cfg"; do
    [ -L "$command" ] || ! grep -Iq . "$command" || sed -i "s|$next|$venv|g" "$command"
done
echo "upgrade.sh: fetched; envmon is stopped now"
$stop
rm -rf "$backups/before-upgrade.old"
[ ! -e "$backups/before-upgrade" ] || mv "$backups/before-upgrade" "$backups/before-upgrade.old"
if ! @AS_USER@"@LIB@/backup.sh" before-upgrade; then
    echo "upgrade.sh: no backup could be made; nothing was changed" >&2
    $start
    exit 1
fi
# Taken away at the end: a busy disk takes a minute for it.
[ ! -e "$venv.before" ] || mv "$venv.before" "$venv.gone"
mv "$venv" "$venv.before"
if mv "$next" "$venv" && $start; then
    echo "upgrade.sh: done; if it is not as you want it: @LIB@/way-back.sh"
else
    echo "upgrade.sh: the new version does not start; going back" >&2
    "@LIB@/way-back.sh"
    exit 1
fi
