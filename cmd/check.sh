#!/usr/bin/env bash
# All tests: format, vet, linter, tests, tests under the race detector, and a
# short run of every fuzz target on its saved corpus.
#
# Usage: cmd/check.sh          everything
#        cmd/check.sh quick    without race detector and fuzzing
set -euo pipefail
cd "$(dirname "$0")/.."

if ! command -v go >/dev/null; then
	echo "Go 1.26 or newer is needed and not on the PATH." >&2
	exit 1
fi
# gcc, netCDF and ecCodes are what the program links; the ecCodes tools make
# the repacked messages of some tests.
bash cmd/packages.sh gcc libc6-dev pkg-config libnetcdf-dev libeccodes-dev libeccodes-tools

step() { printf '\n== %s\n' "$*"; }

step "gofmt"
unformatted=$(gofmt -l cmd grid ingest seedability testdata)
if [ -n "$unformatted" ]; then
	echo "gofmt would change: $unformatted" >&2
	exit 1
fi

step "go vet"
go vet ./...

step "staticcheck"
go tool staticcheck ./...

step "go build"
go build -o /dev/null ./cmd/rimeline

step "go test"
go test -timeout 15m ./...

if [ "${1:-}" = quick ]; then
	exit 0
fi

step "go test -race (what is concurrent)"
go test -race -short -timeout 15m $(cat cmd/race.txt)

# By count, not by duration: before Go 1.27 a duration may fail without a
# finding (golang/go issue 75804).
step "fuzz targets: saved corpus and 1000 more inputs each"
for package in $(go list ./...); do
	for target in $(go test -list '^Fuzz' "$package" | grep '^Fuzz' || true); do
		if ! out=$(go test -run '^$' -fuzz "^$target\$" -fuzztime 1000x -fuzzminimizetime 10x "$package" 2>&1); then
			printf '%s\n' "$out" >&2
			exit 1
		fi
		echo "$target $(tail -n 1 <<<"$out")"
	done
done
