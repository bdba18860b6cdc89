#!/bin/sh
# The forced command of a test host: notes what the client asks for and runs
# it; the text "ebbline stop" stands for powering off.
echo "$(date +%s.%N) ${SSH_ORIGINAL_COMMAND-}" >>/run/host/commands.log
case ${SSH_ORIGINAL_COMMAND-} in
"ebbline stop") exec /run/host/poweroff ;;
*) exec /bin/sh -c "${SSH_ORIGINAL_COMMAND-:}" ;;
esac
