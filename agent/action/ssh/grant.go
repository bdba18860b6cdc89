package ssh

import (
	"fmt"
	"path"
	"regexp"
	"strings"

	gossh "golang.org/x/crypto/ssh"
)

// Grant is the least that a host must allow the agent.
type Grant struct {
	// AuthorizedKeys is the line for the user's ~/.ssh/authorized_keys. With it
	// the key runs the policy's commands for the host and nothing else: no
	// shell, terminal, file transfer or forwarding.
	AuthorizedKeys string
	// Sudoers is the line for a file in /etc/sudoers.d; "" when no command
	// needs more than the user's own rights.
	Sudoers string
}

// Grant gives the lines for this host, for the policy's command and further
// ones, such as its early step. It sends nothing.
func (h *Host) Grant(further ...string) (Grant, error) {
	signer, err := h.signer()
	if err != nil {
		return Grant{}, fmt.Errorf("%s: grant: %w", h.name, err)
	}
	var cases, rights []string
	for _, command := range append([]string{h.config.Command}, further...) {
		asked, run := command, command
		if command == "" {
			asked, run = ForcedCommand, "sudo systemctl poweroff"
		}
		if !plainWords.MatchString(asked) {
			return Grant{}, fmt.Errorf("%s: grant: the command %q is more than plain words: put it into a script on the host and name that", h.name, asked)
		}
		if program, asRoot := strings.CutPrefix(run, "sudo "); asRoot {
			program, err = fullPath(strings.TrimPrefix(program, "-n "))
			if err != nil {
				return Grant{}, fmt.Errorf("%s: grant: %w", h.name, err)
			}
			rights = append(rights, sudoersCommand(program))
			run = "sudo -n " + program // never asks for a password: nobody is there
		}
		cases = append(cases, fmt.Sprintf("'%s') exec %s;;", asked, run))
	}
	// The host compares what is asked with what is allowed, so that no mistake
	// with this key, a login by hand among them, powers it off.
	script := fmt.Sprintf(`case "$SSH_ORIGINAL_COMMAND" in %s *) echo "this key may not run that" >&2; exit 126;; esac`, strings.Join(cases, " "))
	grant := Grant{AuthorizedKeys: fmt.Sprintf(`restrict,command="%s" %s ebbline`,
		strings.ReplaceAll(script, `"`, `\"`), strings.TrimSpace(string(gossh.MarshalAuthorizedKey(signer.PublicKey()))))}
	if len(rights) > 0 {
		grant.Sudoers = fmt.Sprintf("%s ALL=(root) NOPASSWD: %s", h.config.User, strings.Join(rights, ", "))
	}
	return grant, nil
}

// plainWords mean the same to every shell, and to sudoers once escaped.
var plainWords = regexp.MustCompile(`^[A-Za-z0-9_./+-][A-Za-z0-9_./:=@%,+-]*( [A-Za-z0-9_./:=@%,+-]+)*$`)

// usual are the paths of what powers a Linux host off, where /bin is /usr/bin.
var usual = map[string]string{
	"systemctl": "/usr/bin/systemctl",
	"shutdown":  "/usr/sbin/shutdown",
	"poweroff":  "/usr/sbin/poweroff",
	"halt":      "/usr/sbin/halt",
}

// fullPath names the program by its path, as sudoers must.
func fullPath(command string) (string, error) {
	program, arguments, _ := strings.Cut(command, " ")
	if found := usual[program]; found != "" {
		program = found
	}
	if !path.IsAbs(program) {
		return "", fmt.Errorf("sudo is given %q: write its full path, such as /usr/bin/%[1]s, or one of systemctl, shutdown, poweroff, halt", program)
	}
	return strings.TrimSpace(program + " " + arguments), nil
}

// sudoersCommand writes a command as sudoers(5) wants it. One without arguments
// gets "", since sudo would else allow any.
func sudoersCommand(command string) string {
	escaped := strings.NewReplacer(",", `\,`, ":", `\:`, "=", `\=`).Replace(command)
	if !strings.Contains(command, " ") {
		return escaped + ` ""`
	}
	return escaped
}
