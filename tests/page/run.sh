#!/bin/sh
# The review page in a real browser. Installs what it needs: Debian's node and chromium, and three npm packages
# into target/page, so that the source folder stays as it is.
#
#   cargo build --release && tests/page/run.sh
set -eu
cd "$(dirname "$0")/../.."

root=$PWD
work=$root/target/page
command -v npm > /dev/null || apt-get install -y --no-install-recommends nodejs npm
command -v chromium > /dev/null || apt-get install -y --no-install-recommends chromium
mkdir -p "$work"
cp tests/page/*.mjs tests/page/package.json "$work"
(cd "$work" && npm install --no-package-lock --no-audit --no-fund --loglevel=error)

# What draws is the library as it was published, byte for byte.
for file in dist/uPlot.iife.min.js dist/uPlot.min.css LICENSE; do
    cmp "$work/node_modules/uplot/$file" "src/report/assets/uplot/$(basename "$file")"
done

STRANDLINE=${STRANDLINE:-$root/target/release/strandline} ROOT=$root node --test "$work"/*.test.mjs
