#!/bin/sh
# Runs inside the container as root, and leaves one file for each step in
# /run/out. The agent's last step takes the container down.
cd /run/out || exit 1
count() { systemctl show ebbline -p NRestarts --value; }
show() { systemctl show ebbline -p ActiveState -p StatusText; echo "restarts $(($(count) - ${first:-0}))"; }
agent() { systemctl show ebbline -p MainPID --value; }

systemd-tmpfiles --create /etc/tmpfiles.d/ebbline.conf
echo "not a real secret" > /etc/ebbline/secrets/ups-auth
stat -c '%n %a %U' /etc/ebbline /etc/ebbline/secrets > 1-folders
id ebbline > 2-user
mkdir -p /etc/polkit-1/rules.d

systemctl start ebbline
echo "exit $?" > 3-started
# Here, not on a machine of its own, the first mount of credentials fails
# ("Protocol error"), and the restart mends it.
first=$(count)
show >> 3-started
sleep 1
/run/out/ebbline status > 4-status 2>&1
stat -c '%n %a %U %G' /run/ebbline/agent.sock /var/lib/ebbline /var/lib/ebbline/journal >> 4-status
grep -E '^(Uid|CapEff|CapBnd|NoNewPrivs|Seccomp):' "/proc/$(agent)/status" > 5-privileges

kill -9 "$(agent)"
sleep 3
show > 6-killed
/run/out/ebbline status >> 6-killed 2>&1

kill -STOP "$(agent)"
sleep 8
show > 7-stopped

# Without the rule the agent's user may not power the host off.
setpriv --reuid=ebbline --regid=ebbline --clear-groups systemctl poweroff --no-ask-password > 8-refused 2>&1
echo "exit $?" >> 8-refused
cp /run/out/50-ebbline.rules /etc/polkit-1/rules.d/
sleep 2
setpriv --reuid=ebbline --regid=ebbline --clear-groups systemctl reboot --no-ask-password > 9-reboot 2>&1
echo "exit $?" >> 9-reboot
touch lost
sleep 30
journalctl -u ebbline -o cat > log
echo "still up" > 10-up
systemctl poweroff --force
