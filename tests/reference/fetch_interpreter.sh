#!/bin/sh
# Brings the standard's reference interpreter for the tests: one Debian package, unpacked beside the caches of this user.
#
# The package installed in full would draw in a desktop; the one program needs only what PACKAGES.txt lists.
set -eu
cache="${LIFTWRIGHT_TEST_CACHE:-$HOME/.cache/liftwright-tests}/linuxcnc"
if [ -x "$cache/root/usr/bin/rs274" ]; then
    exit 0
fi
mkdir -p "$cache/packages"
cd "$cache/packages"
apt-get -q download linuxcnc-uspace libboost-python1.74.0
for package in ./*.deb; do
    dpkg -x "$package" "$cache/unpacked"
done
mv "$cache/unpacked" "$cache/root"
rm -r "$cache/packages"
