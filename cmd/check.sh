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
# Left out: long comparisons of values, whose code others of these tests run, and what
# only waits for a server.
values='Against(PyART|MetPy|Reference|EveryPoint)|RealPlaces|RealFoldedAgain|RecoversKnownWind|ReturnsAnalyticField|WellMixed'
waits='DamagedNetCDF4KillsOnlyTheChild|Bzip2Bomb|SampleConfiguration'
go test -race -short -timeout 15m -skip "$values|$waits" $(cat cmd/race.txt)

# By count, not by duration: before Go 1.27 a duration may fail without a
# finding (golang/go issue 75804). The test binaries are the plain ones, without
# counters of coverage, in the folder of their package, as "go test" has it: a
# thousand inputs are too few for coverage to guide them, and to build everything with
# counters takes minutes. Longer runs by hand have them (DEVELOPERS.md).
step "fuzz targets: saved corpus and 1000 more inputs each"
built=$(mktemp -d)
trap 'rm -rf "$built"' EXIT
root=$PWD
fuzz() { # one package
	local folder=$1 binary cache target out began took
	binary=$built/${folder//\//-}.test
	cache=$built/${folder//\//-}.cache
	go test -c -o "$binary" "./$folder"
	cd "$folder"
	for target in $("$binary" -test.list '^Fuzz'); do
		began=$SECONDS
		if ! out=$("$binary" -test.run '^$' -test.fuzz "^$target\$" -test.fuzztime 1000x -test.fuzzminimizetime 10x -test.fuzzcachedir "$cache" 2>&1); then
			printf '%s: %s\n%s\n' "$folder" "$target" "$out" >&2
			return 1
		fi
		took=$((SECONDS - began))
		echo "ok $folder $target ${took}s"
	done
	rm -rf "$binary" "$cache"
}
for folder in $(grep -rl --include='*_test.go' '^func Fuzz' cmd grid ingest seedability | xargs -n 1 dirname | sort -u); do
	(fuzz "$folder")
done
