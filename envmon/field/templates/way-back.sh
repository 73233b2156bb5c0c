#!/bin/sh
# Brings back what upgrade.sh replaced: the old version, and the data and shop file of that moment.
# Run as root. What came in since is kept aside, not deleted.
set -eu
venv="${VENV:-@VENV@}"
backups="${BACKUPS:-@BACKUPS@}"
stop="${STOP:-systemctl stop envmon}"
start="${START:-systemctl start envmon}"
data="@DATA@"
if [ ! -x "$venv.before/bin/envmon" ] || [ ! -d "$backups/before-upgrade/data" ]; then
    echo "way-back.sh: $venv.before or $backups/before-upgrade is missing; nothing was changed" >&2
    exit 2
fi
aside="$(date -u +%Y-%m-%dT%H%M%SZ)"
$stop
rm -rf "$venv.newer"
[ ! -e "$venv" ] || mv "$venv" "$venv.newer"
mv "$venv.before" "$venv"
# The folder itself stays, with its owner and whatever else is mounted there.
@AS_USER@sh -eu <<'EOF' -s "$data" "$aside" "$backups/before-upgrade"
    mkdir -p "$1/newer-$2"
    find "$1" -mindepth 1 -maxdepth 1 ! -name 'newer-*' -exec mv {} "$1/newer-$2/" ';'
    cp -a "$3/data/." "$1/"
    cp -p "@SHOP@" "@SHOP@.newer-$2"
    tar -C "@SHOP_FOLDER@" -xf "$3/settings.tar" "./@SHOP_FILE@"
EOF
$start
echo "way-back.sh: the old version runs; what came in since is in $data/newer-$aside"
