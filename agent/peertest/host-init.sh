#!/bin/sh
# The init of a test host, pid 1 of its own pid and network namespaces. When it
# ends, the kernel kills every process of the host.
# usage: init DIR ADDRESS; DIR is the host's disk, kept from boot to boot. The
# host sees it as /run/host.
set -eu
[ $$ = 1 ] || { echo "this is the init of a pid namespace" >&2; exit 1; }
dir=$1
read -r _ # the network card is there

# An own /proc, and an empty /run: no way to the real machine's init from here.
mount --make-rprivate /
mount -t proc proc /proc
mount -t tmpfs tmpfs /run
mkdir /run/sshd /run/host
mount --bind "$dir" /run/host
mount --bind "$dir/passwd" /etc/passwd
if [ -e /etc/sudoers ]; then mount --bind "$dir/sudoers" /etc/sudoers; fi
mkfifo -m 600 /run/power

ip link set lo up
ip addr add "$2/24" dev eth0
ip link set eth0 up
/usr/sbin/sshd -D -f /run/host/sshd_config -E /run/host/sshd.log </dev/null &

# answered waits until the command that told us is over, and whoever sent it has its
# answer and hangs up, or two seconds more.
answered() {
	i=0
	while kill -0 "$1" 2>/dev/null && [ $i -lt 100 ]; do i=$((i + 1)); sleep 0.1; done
	i=0
	while grep -q ':0016 [0-9A-F:]* 01 ' /proc/net/tcp && [ $i -lt 20 ]; do i=$((i + 1)); sleep 0.1; done
}

read -r how by seconds </run/power || :
case $how in
cut) kill -9 -1; sleep 0.2 ;; # the kernel lives on to say that the connections ended
normal) answered "$by"; kill $! ;;
slow) answered "$by"; kill $!; sleep "$seconds" ;;
dark) ip link set eth0 down ;;
esac
exit 0
