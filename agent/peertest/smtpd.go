package peertest

import (
	"bytes"
	"crypto/rand"
	"crypto/rsa"
	"crypto/sha256"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/base64"
	"encoding/pem"
	"fmt"
	"math/big"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"
)

// SMTPD is Debian's Exim with a configuration, a spool and ports of its own. (Its
// OpenSMTPD 6.8.0p2 ends every TLS handshake with an internal error beside OpenSSL 3.)
type SMTPD struct {
	Addr        string // STARTTLS required, login possible
	TLSAddr     string // TLS from the first byte, login possible
	ClearAddr   string // no TLS, no login
	User        string
	Password    string
	To          string // an address that it takes mail for
	Certificate string // "SHA256:…"

	folder string
}

// Port 2 speaks TLS at once, port 3 never.
const smtpdConfig = `primary_hostname = test
spool_directory = %[1]s/spool
log_file_path = %[1]s/%%slog
pid_file_path = %[1]s/pid
exim_user = root
exim_group = root
never_users =
keep_environment =
tls_certificate = %[1]s/cert.pem
tls_privatekey = %[1]s/key.pem
tls_advertise_hosts = ${if eq{$received_port}{%[4]s}{}{*}}
tls_on_connect_ports = %[3]s
auth_advertise_hosts = ${if eq{$tls_in_cipher}{}{}{*}}
acl_smtp_rcpt = rcpt
begin acl
rcpt:
  accept domains = example.net
  deny message = Invalid recipient
begin authenticators
plain:
  driver = plaintext
  public_name = PLAIN
  server_prompts = :
  server_condition = ${if and{{eq{$auth2}{%[5]s}}{eq{$auth3}{%[6]s}}}}
  server_set_id = $auth2
begin routers
here:
  driver = accept
  domains = example.net
  transport = keep
begin transports
keep:
  driver = appendfile
  directory = %[1]s/mail
  maildir_format
  user = mail
`

// StartSMTPD starts a mail server; it ends with the test.
func StartSMTPD(t testing.TB) *SMTPD {
	t.Helper()
	program, err := exec.LookPath("exim4")
	if err != nil {
		t.Fatal("the test needs a mail server: apt-get install exim4-daemon-light")
	}
	s := &SMTPD{User: "agent", Password: "mail-test", To: "operator@example.net"}
	// It delivers as another user, for whom t.TempDir is closed.
	if s.folder, err = os.MkdirTemp("", "smtpd"); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { os.RemoveAll(s.folder) })
	for name, mode := range map[string]os.FileMode{"": 0o755, "spool": 0o700, "mail": 0o777} {
		os.MkdirAll(filepath.Join(s.folder, name), mode)
		os.Chmod(filepath.Join(s.folder, name), mode)
	}
	s.certificate(t)
	ports := freePorts(t, 3)
	s.Addr, s.TLSAddr, s.ClearAddr = "127.0.0.1:"+ports[0], "127.0.0.1:"+ports[1], "127.0.0.1:"+ports[2]
	s.write(t, "exim.conf", fmt.Sprintf(smtpdConfig, s.folder, ports[0], ports[1], ports[2], s.User, s.Password))
	on := fmt.Sprintf("<; 127.0.0.1.%s; 127.0.0.1.%s; 127.0.0.1.%s", ports[0], ports[1], ports[2])
	cmd := exec.Command(program, "-C", filepath.Join(s.folder, "exim.conf"), "-bdf", "-oX", on)
	var log bytes.Buffer
	cmd.Stdout, cmd.Stderr = &log, &log
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true} // a signal at the terminal is for the test
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		syscall.Kill(-cmd.Process.Pid, syscall.SIGKILL) // with those that wait for a peer's next word
		cmd.Wait()
		if t.Failed() {
			text, _ := os.ReadFile(filepath.Join(s.folder, "mainlog"))
			t.Logf("the mail server's log:\n%s%s", &log, text)
		}
	})
	for _, addr := range []string{s.Addr, s.TLSAddr, s.ClearAddr} {
		s.answers(t, addr)
	}
	return s
}

// answers waits until the server listens at an address.
func (s *SMTPD) answers(t testing.TB, addr string) {
	t.Helper()
	for end := time.Now().Add(time.Minute); ; time.Sleep(50 * time.Millisecond) {
		c, err := net.Dial("tcp", addr)
		if err == nil {
			c.Close()
			return
		}
		if time.Now().After(end) {
			t.Fatalf("the mail server does not listen: %v", err)
		}
	}
}

// freePorts gives ports of 127.0.0.1 that were free a moment ago.
func freePorts(t testing.TB, n int) (ports []string) {
	t.Helper()
	for range n {
		l, err := net.Listen("tcp", "127.0.0.1:0")
		if err != nil {
			t.Fatal(err)
		}
		defer l.Close()
		_, port, _ := net.SplitHostPort(l.Addr().String())
		ports = append(ports, port)
	}
	return ports
}

func (s *SMTPD) write(t testing.TB, name, text string) {
	t.Helper()
	if err := os.WriteFile(filepath.Join(s.folder, name), []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
}

// certificate makes one that nobody known has signed.
func (s *SMTPD) certificate(t testing.TB) {
	t.Helper()
	key, err := rsa.GenerateKey(rand.Reader, 2048)
	if err != nil {
		t.Fatal(err)
	}
	form := &x509.Certificate{SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "test"}, IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)},
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(24 * time.Hour)}
	cert, err := x509.CreateCertificate(rand.Reader, form, form, &key.PublicKey, key)
	if err != nil {
		t.Fatal(err)
	}
	secret, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		t.Fatal(err)
	}
	s.write(t, "cert.pem", string(pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: cert})))
	s.write(t, "key.pem", string(pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: secret})))
	sum := sha256.Sum256(cert)
	s.Certificate = "SHA256:" + base64.RawStdEncoding.EncodeToString(sum[:])
}

// Letters gives every mail that was delivered, whole.
func (s *SMTPD) Letters() (all []string) {
	paths, _ := filepath.Glob(filepath.Join(s.folder, "mail", "new", "*"))
	for _, path := range paths {
		if text, err := os.ReadFile(path); err == nil {
			all = append(all, strings.ReplaceAll(string(text), "\r\n", "\n"))
		}
	}
	return all
}

// Letter waits for the mail that has this text in it.
func (s *SMTPD) Letter(t testing.TB, text string) string {
	t.Helper()
	for end := time.Now().Add(time.Minute); ; time.Sleep(50 * time.Millisecond) {
		for _, l := range s.Letters() {
			if strings.Contains(l, text) {
				return l
			}
		}
		if time.Now().After(end) {
			t.Fatalf("no mail with %q came: %q", text, s.Letters())
		}
	}
}
