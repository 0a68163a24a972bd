#!/usr/bin/env bash
# Installs the Debian packages that are still missing. Safe to run again: it
# does nothing when all are there. Without root it says what to install.
#
# Usage: packages.sh PACKAGE...
set -euo pipefail

missing=()
for package in "$@"; do
	if [ "$(dpkg-query -W -f='${db:Status-Status}' "$package" 2>/dev/null)" != installed ]; then
		missing+=("$package")
	fi
done
[ "${#missing[@]}" -eq 0 ] && exit 0

install="apt-get install -y --no-install-recommends ${missing[*]}"
if ! command -v apt-get >/dev/null; then
	echo "These Debian packages are missing and apt-get is not here: ${missing[*]}" >&2
	exit 1
fi
if [ "$(id -u)" -ne 0 ]; then
	echo "These Debian packages are missing: ${missing[*]}" >&2
	echo "Run once as root: apt-get update && $install" >&2
	exit 1
fi
echo "Installing Debian packages: ${missing[*]}" >&2
export DEBIAN_FRONTEND=noninteractive
apt-get update -qq
apt-get install -y -qq --no-install-recommends "${missing[@]}" >/dev/null
