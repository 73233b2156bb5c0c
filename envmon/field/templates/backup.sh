#!/bin/sh
# Makes a backup of the shop and keeps the newest @KEEP@. A memory card dies with all that is on
# it: let BACKUPS be a folder on another disk, or copy the newest one elsewhere.
#   backup.sh [NAME]     a NAME of one's own is never taken away
set -eu
backups="${BACKUPS:-@BACKUPS@}"
keep="${KEEP:-@KEEP@}"
name="${1:-$(date -u +%Y-%m-%dT%H%M%SZ)}"
umask 077
mkdir -p "$backups"
if [ -e "$backups/$name" ]; then
    echo "backup.sh: $backups/$name is there already" >&2
    exit 2
fi
part="$backups/.$name.part"
trap 'rm -rf "$part"' EXIT
rm -rf "$part"
mkdir "$part"
"${VENV:-@VENV@}/bin/envmon" backup "@SHOP@" --out "$part/data"
# The shop file with what stands beside it: people, channels, certificates and their keys.
tar -C "@SHOP_FOLDER@" @EXCLUDE@-cf "$part/settings.tar" .
sync "$part/settings.tar"
mv "$part" "$backups/$name"
sync "$backups"
find "$backups" -mindepth 1 -maxdepth 1 -type d -name '2???-??-??T??????Z' | sort \
    | head -n "-$keep" | while read -r old; do rm -rf "$old"; done
