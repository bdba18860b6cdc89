#!/bin/sh
# Runs inside the container as root, and leaves one file for each step in
# /run/out. The agent's last step takes the container down. What the agent or
# systemd does in its own time is waited for; what never comes shows in the
# step's file.
cd /run/out || exit 1
show() { systemctl show ebbline -p ActiveState -p StatusText -p NRestarts; }
agent() { systemctl show ebbline -p MainPID --value; }
wait_for() {
	for _ in $(seq 600); do
		if eval "$1"; then return; fi
		sleep 0.1
	done
}
knows_the_rack='/run/out/ebbline status 2>/dev/null | grep -q "^rack normal, "'

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
wait_for 'journalctl -u ebbline-itself -o cat | grep -q "the policy is read again"'
EBBLINE_SOCKET=/run/ebbline-itself/control /run/out/itself status >> 3-itself 2>&1
systemctl stop ebbline-itself
systemctl show ebbline-itself -p Result -p NRestarts >> 3-itself
journalctl -u ebbline-itself -o cat >> 3-itself
rm /etc/ebbline/policy.hcl

systemctl start ebbline
echo "exit $?" > 4-started
wait_for 'show | grep -q "^StatusText=rack normal, "'
show >> 4-started
wait_for "$knows_the_rack && [ -e /var/lib/ebbline/journal ]"
/run/out/ebbline status > 5-status 2>&1
stat -c '%n %a %U %G' /run/ebbline/agent.sock /var/lib/ebbline /var/lib/ebbline/journal >> 5-status
grep -E '^(Uid|CapEff|CapBnd|NoNewPrivs|Seccomp):' "/proc/$(agent)/status" > 6-privileges

kill -9 "$(agent)"
wait_for 'show | grep -q NRestarts=1'
wait_for "$knows_the_rack"
show > 7-killed
/run/out/ebbline status >> 7-killed 2>&1

kill -STOP "$(agent)"
wait_for 'show | grep -q NRestarts=2'
wait_for "$knows_the_rack"
show > 8-stopped

# Without the rule the agent's user may not power the host off.
setpriv --reuid=ebbline --regid=ebbline --clear-groups systemctl poweroff --no-ask-password > 9-refused 2>&1
echo "exit $?" >> 9-refused
cp /run/out/50-ebbline.rules /etc/polkit-1/rules.d/
systemctl restart polkit
setpriv --reuid=ebbline --regid=ebbline --clear-groups systemctl reboot --no-ask-password > 10-reboot 2>&1
echo "exit $?" >> 10-reboot
touch lost
sleep 60
journalctl -u ebbline -o cat > log
echo "still up" > 11-up
systemctl poweroff --force
