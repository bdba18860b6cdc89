#!/bin/sh
# Powers a test host off, in the way that the file mode on its disk says.
[ "$(id -u)" = 0 ] || { echo "only root may power off" >&2; exit 1; }
read -r mode seconds </run/host/mode
case $mode in
normal | slow) echo "$mode $$ $seconds" >/run/power; echo "going down" ;;
cut | dark) echo "$mode $$" >/run/power; exec sleep 3600 ;;
hang) exec sleep 3600 ;;
refuse) echo "a password is required" >&2; exit 1 ;;
ignore) echo "going down" ;;
esac
