#!/usr/bin/env bash
# Runs the main job. Without arguments: the whole service on a storm to rehearse
# on, eight invented hours in eight minutes. With arguments: runs rimeline with
# them.
set -euo pipefail
here=$(cd "$(dirname "$0")/.." && pwd)

if ! command -v go >/dev/null; then
	echo "Go 1.26 or newer is needed and not on the PATH." >&2
	exit 1
fi
bash "$here/cmd/packages.sh" gcc libc6-dev pkg-config libnetcdf-dev libeccodes-dev

binary="${RIMELINE_BINARY:-${XDG_CACHE_HOME:-$HOME/.cache}/rimeline/rimeline}"
mkdir -p "$(dirname "$binary")"
(cd "$here" && go build -o "$binary" ./cmd/rimeline)

if [ "$#" -gt 0 ]; then
	exec "$binary" "$@"
fi
exec "$binary" watch --rehearsal
