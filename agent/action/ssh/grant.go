package ssh

import (
	"fmt"
	"path"
	"regexp"
	"slices"
	"strings"

	gossh "golang.org/x/crypto/ssh"
)

// Grant is the least that a host must allow the agent.
type Grant struct {
	// AuthorizedKeys are two lines for the user's ~/.ssh/authorized_keys. With the
	// first the key runs the policy's commands and nothing else: no shell,
	// terminal, file transfer or forwarding. The second is of a key that may only
	// ask whether they could be run; see [Host.May].
	AuthorizedKeys string
	// Sudoers is the line for a file in /etc/sudoers.d; "" when no command
	// needs more than the user's own rights.
	Sudoers string
}

// asks stands before a command that is only asked about.
const asks = "ebbline check "

// Grant gives the lines that suffice for these commands over this login; "" is
// [ForcedCommand]. It sends nothing.
func (h *Host) Grant(commands ...string) (Grant, error) {
	own, err := h.signer()
	if err != nil {
		return Grant{}, fmt.Errorf("%s: grant: %w", h.name, err)
	}
	asker, err := h.asker()
	if err != nil {
		return Grant{}, fmt.Errorf("%s: grant: %w", h.name, err)
	}
	if !plainUser.MatchString(h.config.User) {
		return Grant{}, fmt.Errorf("%s: grant: the user %q may mean something else to sudoers: give the agent a user of its own, with a name of small letters and digits such as \"ebbline\"", h.name, h.config.User)
	}
	var runs, checks, rights []string
	for _, command := range commands {
		l, err := leastFor(command)
		if err != nil {
			return Grant{}, fmt.Errorf("%s: grant: %w", h.name, err)
		}
		runs = append(runs, fmt.Sprintf("'%s') exec %s;;", l.asked, l.run))
		checks = append(checks, fmt.Sprintf("'%s%s') %s;;", asks, l.asked, l.check))
		if l.sudoers != "" && !slices.Contains(rights, l.sudoers) {
			rights = append(rights, l.sudoers)
		}
	}
	grant := Grant{AuthorizedKeys: keyLine(own, runs) + "\n" + keyLine(asker, checks)}
	if len(rights) > 0 {
		grant.Sudoers = fmt.Sprintf("%s ALL=(root) NOPASSWD: %s", h.config.User, strings.Join(rights, ", "))
	}
	return grant, nil
}

// keyLine lets a key do what the cases say. The host compares what is asked with
// what is allowed, so that no mistake with the key, a login by hand among them,
// powers it off.
func keyLine(key gossh.Signer, cases []string) string {
	script := fmt.Sprintf(`case "$SSH_ORIGINAL_COMMAND" in %s *) echo "this key may not run that" >&2; exit 126;; esac`, strings.Join(cases, " "))
	return fmt.Sprintf(`restrict,command="%s" %s ebbline`,
		strings.ReplaceAll(script, `"`, `\"`), strings.TrimSpace(string(gossh.MarshalAuthorizedKey(key.PublicKey()))))
}

// least is what one command needs.
type least struct {
	asked   string // what the agent sends
	run     string // what that runs, as the shell reads it
	check   string // what tells whether it could be run
	sudoers string // as sudoers reads it; "" without sudo
}

func leastFor(command string) (least, error) {
	l := least{asked: command, run: command}
	if command == "" {
		l.asked, l.run = ForcedCommand, "sudo systemctl poweroff"
	}
	if !plainWords.MatchString(l.asked) {
		return l, fmt.Errorf("the command %q is more than plain words: put it into a script on the host and name that", l.asked)
	}
	program, asRoot := strings.CutPrefix(l.run, "sudo ")
	if !asRoot {
		name, _, _ := strings.Cut(l.run, " ")
		l.check = "command -v " + name
		return l, nil
	}
	program, err := fullPath(strings.TrimPrefix(program, "-n "))
	if err != nil {
		return l, err
	}
	// -n: it never asks for a password, which nobody is there to type.
	l.run, l.check, l.sudoers = "sudo -n "+program, "exec sudo -n -l "+program, sudoersCommand(program)
	return l, nil
}

// plainWords mean the same to every shell, and to sudoers once escaped. The first
// is no option and sets no variable.
var plainWords = regexp.MustCompile(`^[A-Za-z0-9_./][A-Za-z0-9_./:@%,+-]*( [A-Za-z0-9_./:=@%,+-]+)*$`)

// plainUser is a name that is nothing else in a sudoers file: no alias (capitals),
// group (%), number (#), netgroup (+) or word of its own (ALL, Defaults).
var plainUser = regexp.MustCompile(`^[a-z_][A-Za-z0-9_.-]{0,31}$`)

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
	if path.Clean(program) != program { // a folder, to sudoers, is every program in it
		return "", fmt.Errorf("sudo is given %q: write the program's own path, %q", program, path.Clean(program))
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
