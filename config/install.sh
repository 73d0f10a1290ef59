#!/usr/bin/env bash
# Installs rigmon from this clone as a service on a Raspberry Pi: see hardware_notes/install.md.
#
#   sudo config/install.sh            install or update; the rig file and the run logs stay as they are
#   sudo config/install.sh --pages    also what the live pages and the reports on them need, and let the
#                                     service out into private networks
#   config/install.sh --dry-run       only print what would be done (also with --pages)
#   DESTDIR=/some/folder config/install.sh    into a folder, without users and services, for packaging and tests
#
# PYTHON=python3.13 and the like choose the interpreter; the system's own python3 is the one that has lgpio.
set -euo pipefail

dry_run=
pages=
for option in "$@"; do
    case "$option" in
        --pages) pages=yes ;;
        --dry-run) dry_run=yes ;;
        *) echo "usage: [DESTDIR=FOLDER] config/install.sh [--pages] [--dry-run]" >&2; exit 2 ;;
    esac
done
clone=$(cd "${BASH_SOURCE[0]%/*}/.." && pwd)
root=${DESTDIR-}
python=${PYTHON-python3}
venv=$root/opt/rigmon
state=$root/var/lib/rigmon
units=$root/etc/systemd/system
person=${SUDO_USER-}

run() {
    echo "+ $*"
    if [[ -z $dry_run ]]; then "$@"; fi
}

if [[ -z $root$dry_run && $(id -u) -ne 0 ]]; then
    echo "config/install.sh: must be run with sudo" >&2
    exit 2
fi
if ! "$python" -c 'import sys; sys.exit(not (3, 11) <= sys.version_info < (3, 14))'; then
    echo "config/install.sh: $python is not Python 3.11 to 3.13; set PYTHON" >&2
    exit 2
fi

# The system's packages are visible in it, for python3-lgpio is no ordinary package of the index.
[[ -x $venv/bin/python ]] || run "$python" -m venv --system-site-packages "$venv"
# Built from a copy, so that root leaves nothing behind in the clone.
build=/tmp/rigmon-build
if [[ -z $dry_run ]]; then
    build=$(mktemp -d)
    trap 'rm -rf "$build"' EXIT
fi
run cp -r "$clone/pyproject.toml" "$clone/README.md" "$clone/LICENSE" "$clone/rigmon" "$build/"
run "$venv/bin/python" -m pip install --quiet --disable-pip-version-check "${build}[pi${pages:+,web,analysis}]"

if [[ -z $root ]]; then
    # groups that own serial ports, pins and SPI: there on Raspberry Pi OS, made elsewhere
    for group in dialout gpio spi; do
        getent group "$group" >/dev/null || run groupadd --system "$group"
    done
    getent passwd rigmon >/dev/null ||
        run useradd --system --user-group --home-dir /var/lib/rigmon --shell /usr/sbin/nologin rigmon
    if [[ -n $person && $person != root ]]; then
        run usermod --append --groups rigmon,dialout,gpio,spi "$person"
    fi
fi

run mkdir -p "$state" "$units"
[[ -e $state/rig.toml ]] || run "$venv/bin/rigmon" init "$state/rig.toml"
if [[ -z $root ]]; then
    run chown rigmon:rigmon "$state" "$state/rig.toml"
    run chmod 660 "$state/rig.toml"
fi
run chmod 2770 "$state"
for unit in rigmon.service rigmon-poweroff.path; do
    run install -m 644 "$clone/config/systemd/$unit" "$units/$unit"
done
if [[ -n $pages ]]; then
    run mkdir -p "$units/rigmon.service.d"
    run install -m 644 "$clone/config/pages.conf" "$units/rigmon.service.d/pages.conf"
fi

if [[ -z $root ]]; then
    run ln -sf "$venv/bin/rigmon" /usr/local/bin/rigmon
    run systemctl daemon-reload
    run systemctl enable rigmon.service rigmon-poweroff.path
    # The import makes a pipe where it stands. A module without this name is an empty upload to the index.
    if [[ -z $dry_run ]] && ! (cd /run && "$venv/bin/python" -c 'import lgpio; lgpio.SET_PULL_NONE') 2>/dev/null; then
        echo "config/install.sh: lgpio is missing or empty: sudo apt install python3-lgpio, then again" >&2
        exit 1
    fi
fi
echo "Installed. Put your numbers into $state/rig.toml, then: sudo systemctl start rigmon"
