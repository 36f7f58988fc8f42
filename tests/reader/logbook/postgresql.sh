#!/usr/bin/env bash
# A PostgreSQL server for the tests, of its own, in FOLDER, reached through a socket there and by nobody else.
#   start FOLDER [OPTION...]   begins one, or goes on with it, and prints its URL, for LINECALL_TEST_POSTGRESQL;
#                              options are those of the program postgres
#   stop FOLDER [MODE]         ends it; `immediate` as a power cut does
# Needs the system's PostgreSQL programs (Debian: apt-get install postgresql). PostgreSQL refuses to run as root, so
# root runs it as the user postgres, whom the package makes.
set -euo pipefail

programs=$(pg_config --bindir 2>/dev/null || true)
[ -x "$programs/initdb" ] || programs=$(ls -d /usr/lib/postgresql/*/bin /usr/local/pgsql/bin 2>/dev/null | sort -V | tail -n 1)
[ -x "$programs/initdb" ] || { echo "no PostgreSQL programs found; on Debian: apt-get install postgresql" >&2; exit 1; }
usage() { echo "usage: $0 start FOLDER [OPTION...] | stop FOLDER [MODE]" >&2; exit 2; }
[ $# -ge 2 ] || usage
mkdir -p "$2"
folder=$(cd "$2" && pwd)

as_server() { if [ "$(id -u)" = 0 ]; then (cd / && runuser -u postgres -- "$@"); else "$@"; fi; }

case $1 in
    start)
        if [ "$(id -u)" = 0 ]; then chown postgres "$folder"; fi
        [ -e "$folder/data" ] || as_server "$programs/initdb" -D "$folder/data" -U linecall -A trust -E UTF8 --no-sync >&2
        as_server "$programs/pg_ctl" -D "$folder/data" -l "$folder/log" -w \
            -o "-F -c listen_addresses='' -k '$folder' ${*:3}" start >&2
        echo "postgresql://linecall@/postgres?host=$folder"
        ;;
    stop) as_server "$programs/pg_ctl" -D "$folder/data" -m "${3:-fast}" -w stop >&2 ;;
    *) usage ;;
esac
