#!/bin/sh
# Runs inside the container as root, and leaves one file for each step in
# /run/out. The agent's last step takes the container down.
cd /run/out || exit 1
show() { systemctl show ebbline -p ActiveState -p StatusText -p NRestarts; }
agent() { systemctl show ebbline -p MainPID --value; }

systemd-tmpfiles --create /etc/tmpfiles.d/ebbline.conf
echo "not a real secret" > /etc/ebbline/secrets/ups-auth
stat -c '%n %a %U' /etc/ebbline /etc/ebbline/secrets > 1-folders
id ebbline > 2-user
mkdir -p /etc/polkit-1/rules.d

# The program itself, with a UPS that does not answer: ready all the same,
# a new policy at SIGHUP, a clean end.
cp policy.hcl /etc/ebbline/
systemctl start ebbline-itself > 3-itself 2>&1
echo "exit $?" >> 3-itself
systemctl reload ebbline-itself >> 3-itself 2>&1
echo "reload $?" >> 3-itself
sleep 1
EBBLINE_SOCKET=/run/ebbline-itself/control /run/out/itself status >> 3-itself 2>&1
systemctl stop ebbline-itself
systemctl show ebbline-itself -p Result -p NRestarts >> 3-itself
journalctl -u ebbline-itself -o cat >> 3-itself
rm /etc/ebbline/policy.hcl

systemctl start ebbline
echo "exit $?" > 4-started
show >> 4-started
sleep 1
/run/out/ebbline status > 5-status 2>&1
stat -c '%n %a %U %G' /run/ebbline/agent.sock /var/lib/ebbline /var/lib/ebbline/journal >> 5-status
grep -E '^(Uid|CapEff|CapBnd|NoNewPrivs|Seccomp):' "/proc/$(agent)/status" > 6-privileges

kill -9 "$(agent)"
sleep 3
show > 7-killed
/run/out/ebbline status >> 7-killed 2>&1

kill -STOP "$(agent)"
sleep 8
show > 8-stopped

# Without the rule the agent's user may not power the host off.
setpriv --reuid=ebbline --regid=ebbline --clear-groups systemctl poweroff --no-ask-password > 9-refused 2>&1
echo "exit $?" >> 9-refused
cp /run/out/50-ebbline.rules /etc/polkit-1/rules.d/
sleep 2
setpriv --reuid=ebbline --regid=ebbline --clear-groups systemctl reboot --no-ask-password > 10-reboot 2>&1
echo "exit $?" >> 10-reboot
touch lost
sleep 30
journalctl -u ebbline -o cat > log
echo "still up" > 11-up
systemctl poweroff --force
