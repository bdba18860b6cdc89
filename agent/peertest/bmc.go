package peertest

import (
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"io"
	"log"
	"maps"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"ebbline/policy"
)

// startsWithin is how long a peer may take until it answers; no test waits for
// it to pass.
const startsWithin = time.Minute

// BMC is a baseboard management controller with one chassis: OpenIPMI's
// ipmi_sim, with a small program that holds the chassis power. It knows cipher
// suite 3, not 17, and does not say which ones it knows.
type BMC struct {
	Policy   policy.BMC // with cipher suite 3 named
	Password string

	t   testing.TB
	dir string
	sim *exec.Cmd
}

// chassisProgram is called by ipmi_sim: DIR ADDRESS get|set|check NAME [VALUE]...
const chassisProgram = `#!/bin/sh
dir=$1; op=$3; shift 3
case $op in
get) for n in "$@"; do case $n in
       power) echo "power:$(cat "$dir/power")" ;;
       boot) echo "boot:default" ;;
     esac; done ;;
set) echo "$1 $2" >> "$dir/orders"
     [ ! -e "$dir/refuse" ] || exit 1
     case $1 in
     power) echo "$2" > "$dir/power" ;;
     shutdown) [ -e "$dir/deaf" ] || echo 0 > "$dir/power" ;;
     esac ;;
esac
`

// StartBMC starts a BMC whose chassis is on. It ends with the test.
func StartBMC(t testing.TB) *BMC {
	t.Helper()
	bmcTool(t, "ipmi_sim", "openipmi")
	address := freeUDP(t)
	host, port, _ := net.SplitHostPort(address)
	b := &BMC{
		Policy:   policy.BMC{Address: address, User: "admin", Password: "bmc", Suites: []int{3}},
		Password: "secret-test", t: t, dir: t.TempDir(),
	}
	b.write("chassis.sh", chassisProgram, 0o755)
	b.write("lan.conf", fmt.Sprintf(`name "bench"
set_working_mc 0x20
  startlan 1
    addr %s %s
    priv_limit admin
    allowed_auths_callback md5
    allowed_auths_user md5
    allowed_auths_operator md5
    allowed_auths_admin md5
    guid a123456789abcdefa123456789abcdef
  endlan
  chassis_control "%s/chassis.sh %s 0x20"
  user 2 true "%s" "%s" admin 10 md5
`, host, port, b.dir, b.dir, b.Policy.User, b.Password), 0o600)
	b.write("bmc.emu", `mc_setbmc 0x20
mc_add 0x20 0 no-device-sdrs 0x23 9 8 0x9f 0x1291 0xf02
sel_enable 0x20 1000 0x0a
mc_enable 0x20
`, 0o600)
	b.SetPower(true)
	b.start()
	t.Cleanup(b.stop)
	return b
}

// start runs ipmi_sim until it answers a presence ping (IPMI 2.0, 13.2.3).
func (b *BMC) start() {
	b.t.Helper()
	b.sim = exec.Command("ipmi_sim", "-c", b.dir+"/lan.conf", "-f", b.dir+"/bmc.emu", "-s", b.dir+"/state", "-n")
	b.must(os.MkdirAll(b.dir+"/state", 0o700))
	output, err := os.OpenFile(b.dir+"/log", os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600)
	b.must(err)
	defer output.Close()
	b.sim.Stdout, b.sim.Stderr = output, output
	b.must(b.sim.Start())
	conn, err := net.Dial("udp", b.Policy.Address)
	b.must(err)
	defer conn.Close()
	ping := []byte{6, 0, 0xff, 6, 0, 0, 0x11, 0xbe, 0x80, 0, 0, 0}
	for end := time.Now().Add(startsWithin); time.Now().Before(end); {
		_, _ = conn.Write(ping)
		_ = conn.SetReadDeadline(time.Now().Add(50 * time.Millisecond))
		if n, err := conn.Read(make([]byte, 64)); err == nil && n > 0 {
			return
		}
		time.Sleep(10 * time.Millisecond) // a closed port answers at once
	}
	text, _ := os.ReadFile(b.dir + "/log")
	b.t.Fatalf("ipmi_sim does not answer at %s: %s", b.Policy.Address, text)
}

func (b *BMC) stop() {
	_ = b.sim.Process.Kill()
	_ = b.sim.Wait()
}

// Restart ends the BMC and starts it again: it forgets its sessions, the chassis
// keeps its power.
func (b *BMC) Restart() {
	b.t.Helper()
	b.stop()
	b.start()
}

// Freeze makes the BMC hang: its port stays open and nothing answers.
func (b *BMC) Freeze() { b.must(b.sim.Process.Signal(syscall.SIGSTOP)) }

// Thaw ends Freeze.
func (b *BMC) Thaw() { b.must(b.sim.Process.Signal(syscall.SIGCONT)) }

// Refuse makes every order fail from now on.
func (b *BMC) Refuse() { b.write("refuse", "", 0o600) }

// Deafen makes the host's operating system ignore soft shutdowns from now on.
func (b *BMC) Deafen() { b.write("deaf", "", 0o600) }

// SetPower switches the chassis by hand.
func (b *BMC) SetPower(on bool) {
	b.write("power", map[bool]string{true: "1\n", false: "0\n"}[on], 0o600)
}

// On tells whether the chassis has power.
func (b *BMC) On() bool { return b.read("power") == "1\n" }

// Orders gives what was ordered so far: "power 0", "power 1", "shutdown 1".
func (b *BMC) Orders() []string { return lines(b.read("orders")) }

// Secret is what the policy's secrets are read by.
func (b *BMC) Secret(policy.Secret) ([]byte, error) { return []byte(b.Password), nil }

func (b *BMC) write(name, text string, mode os.FileMode) {
	b.t.Helper()
	b.must(os.WriteFile(filepath.Join(b.dir, name), []byte(text), mode))
}

func (b *BMC) read(name string) string {
	text, _ := os.ReadFile(filepath.Join(b.dir, name))
	return string(text)
}

func (b *BMC) must(err error) {
	b.t.Helper()
	if err != nil {
		b.t.Fatal(err)
	}
}

// RedfishState is what a [Redfish] stand-in has and how it behaves.
type RedfishState struct {
	Systems map[string]string // id to PowerState; "1" is On at first
	Outlets map[string]string // of the one rack PDU; "A1" and "A2" are On at first
	Locked  bool              // the outlets' power control

	Allowed    []string // values of ResetType; none are named when empty
	ActionInfo bool     // they stand in a resource of their own
	Reply      int      // to an order that is taken: 200, 202 with a task, or 204
	Fail       int      // answer every order with this status
	Task       string   // state of the task that comes with 202
	Ignore     bool     // take orders and do nothing
	NoSessions int      // answer every login with this status

	// Before sees each request first; true means that it has answered.
	Before func(w http.ResponseWriter, r *http.Request) bool

	Orders []string // "system 1 ForceOff", "outlet A1 Off"
	Logins int      // attempts, by session or by HTTP Basic
}

// Redfish is a stand-in for a Redfish service of one BMC and one rack PDU: no
// real service runs where these tests do. It uses the names of DMTF DSP0266 and
// of the schemas ComputerSystem, PowerDistribution, Outlet, ActionInfo and Task,
// and proves no conformance.
type Redfish struct {
	Policy   policy.BMC // with the fingerprint of the certificate
	Password string

	mu       sync.Mutex
	state    RedfishState
	sessions map[string]string // token to path
}

// StartRedfish starts the stand-in. It ends with the test.
func StartRedfish(t testing.TB) *Redfish {
	t.Helper()
	r := &Redfish{
		Password: "secret-test",
		sessions: map[string]string{},
		state: RedfishState{
			Systems: map[string]string{"1": "On"},
			Outlets: map[string]string{"A1": "On", "A2": "On"},
			Allowed: []string{"On", "ForceOff", "GracefulShutdown", "ForceRestart", "PushPowerButton"},
			Reply:   http.StatusNoContent,
			Task:    "Running",
		},
	}
	server := httptest.NewUnstartedServer(r)
	server.Config.ErrorLog = log.New(io.Discard, "", 0) // refused handshakes are what some tests want
	server.StartTLS()
	t.Cleanup(server.Close)
	sum := sha256.Sum256(server.Certificate().Raw)
	r.Policy = policy.BMC{
		Address: server.Listener.Addr().String(), User: "admin", Password: "bmc",
		Certificate: "SHA256:" + base64.RawStdEncoding.EncodeToString(sum[:]),
	}
	return r
}

// Secret is what the policy's secrets are read by.
func (r *Redfish) Secret(policy.Secret) ([]byte, error) { return []byte(r.Password), nil }

// Set changes the state.
func (r *Redfish) Set(change func(*RedfishState)) {
	r.mu.Lock()
	defer r.mu.Unlock()
	change(&r.state)
}

// State gives a copy of the state. Its maps and slices are only to be read.
func (r *Redfish) State() RedfishState {
	r.mu.Lock()
	defer r.mu.Unlock()
	s := r.state
	s.Systems, s.Outlets, s.Orders = maps.Clone(s.Systems), maps.Clone(s.Outlets), slices.Clone(s.Orders)
	return s
}

// Sessions gives the number of sessions that are open.
func (r *Redfish) Sessions() int {
	r.mu.Lock()
	defer r.mu.Unlock()
	return len(r.sessions)
}

type resource = map[string]any

const (
	redfishRoot     = "/redfish/v1"
	redfishSessions = redfishRoot + "/SessionService/Sessions"
	redfishSystems  = redfishRoot + "/Systems"
	redfishPDUs     = redfishRoot + "/PowerEquipment/RackPDUs"
	redfishOutlets  = redfishPDUs + "/1/Outlets"
)

// ServeHTTP answers one request.
func (r *Redfish) ServeHTTP(w http.ResponseWriter, q *http.Request) {
	var body map[string]string
	_ = json.NewDecoder(q.Body).Decode(&body)
	_, _ = io.Copy(io.Discard, q.Body) // to its end: before that, a server does not see that the client hangs up
	if before := r.State().Before; before != nil && before(w, q) {
		return
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	where := strings.TrimSuffix(q.URL.Path, "/")
	switch {
	case where == redfishRoot && q.Method == http.MethodGet:
		reply(w, http.StatusOK, resource{
			"Systems": ref(redfishSystems), "PowerEquipment": ref(path.Dir(redfishPDUs)),
			"Links": resource{"Sessions": ref(redfishSessions)},
		})
	case where == redfishSessions && q.Method == http.MethodPost:
		r.login(w, body)
	case !r.known(q):
		complain(w, http.StatusUnauthorized, "There is no valid session established with the implementation.")
	case q.Method == http.MethodDelete && r.sessions[q.Header.Get("X-Auth-Token")] == where:
		delete(r.sessions, q.Header.Get("X-Auth-Token"))
		w.WriteHeader(http.StatusNoContent)
	case q.Method == http.MethodPost:
		r.order(w, where, body)
	case q.Method == http.MethodGet && r.at(where) != nil:
		reply(w, http.StatusOK, r.at(where))
	default:
		complain(w, http.StatusNotFound, "The resource at the URI was not found.")
	}
}

func (r *Redfish) login(w http.ResponseWriter, body map[string]string) {
	r.state.Logins++
	switch {
	case r.state.NoSessions != 0:
		complain(w, r.state.NoSessions, "No session can be made.")
	case body["UserName"] != r.Policy.User || body["Password"] != r.Password:
		complain(w, http.StatusUnauthorized, "While attempting to establish a connection, the service denied access with the password "+body["Password"]+".")
	default:
		token := "token-" + strconv.Itoa(r.state.Logins)
		r.sessions[token] = redfishSessions + "/" + strconv.Itoa(r.state.Logins)
		w.Header().Set("X-Auth-Token", token)
		w.Header().Set("Location", "https://bmc.example"+r.sessions[token]) // by a name of its own, as some do
		reply(w, http.StatusCreated, resource{"@odata.id": r.sessions[token]})
	}
}

func (r *Redfish) known(q *http.Request) bool {
	if user, password, ok := q.BasicAuth(); ok {
		r.state.Logins++
		return user == r.Policy.User && password == r.Password
	}
	return r.sessions[q.Header.Get("X-Auth-Token")] != ""
}

func (r *Redfish) at(where string) resource {
	dir, id := path.Split(where)
	switch path.Clean(dir) {
	case redfishSystems:
		if power, ok := r.state.Systems[id]; ok {
			return resource{"Id": id, "PowerState": power, "Actions": resource{"#ComputerSystem.Reset": r.reset(where)}}
		}
	case redfishOutlets:
		if power, ok := r.state.Outlets[id]; ok {
			return resource{"Id": id, "PowerState": power, "PowerControlLocked": r.state.Locked,
				"Actions": resource{"#Outlet.PowerControl": resource{"target": where + "/Actions/Outlet.PowerControl"}}}
		}
	}
	switch where {
	case redfishSystems:
		return collection(where, r.state.Systems)
	case path.Dir(redfishPDUs):
		return resource{"RackPDUs": ref(redfishPDUs)}
	case redfishPDUs:
		return collection(where, map[string]string{"1": ""})
	case redfishPDUs + "/1":
		return resource{"EquipmentType": "RackPDU", "Outlets": ref(redfishOutlets)}
	case redfishOutlets:
		return collection(where, r.state.Outlets)
	case redfishRoot + "/ResetActionInfo":
		return resource{"Parameters": []resource{{"Name": "ResetType", "AllowableValues": r.state.Allowed}}}
	}
	return nil
}

func (r *Redfish) reset(where string) resource {
	action := resource{"target": where + "/Actions/ComputerSystem.Reset"}
	switch {
	case r.state.ActionInfo:
		action["@Redfish.ActionInfo"] = redfishRoot + "/ResetActionInfo"
	case len(r.state.Allowed) > 0:
		action["ResetType@Redfish.AllowableValues"] = r.state.Allowed
	}
	return action
}

// order takes a POST to .../ID/Actions/NAME.
func (r *Redfish) order(w http.ResponseWriter, where string, body map[string]string) {
	action := path.Base(where)
	owner := path.Dir(path.Dir(where))
	id := path.Base(owner)
	kind, powers, value := "system", r.state.Systems, body["ResetType"]
	if action == "Outlet.PowerControl" {
		kind, powers, value = "outlet", r.state.Outlets, body["PowerState"]
	}
	r.state.Orders = append(r.state.Orders, kind+" "+id+" "+value)
	want := map[string]string{"On": "On", "ForceOn": "On", "Off": "Off", "ForceOff": "Off", "GracefulShutdown": "Off"}[value]
	switch {
	case r.at(owner) == nil:
		complain(w, http.StatusNotFound, "The resource at the URI was not found.")
	case r.state.Fail != 0:
		complain(w, r.state.Fail, "A general error has occurred.")
	case kind == "system" && len(r.state.Allowed) > 0 && !slices.Contains(r.state.Allowed, value):
		complain(w, http.StatusBadRequest, "The action parameter is not supported.")
	case powers[id] == want:
		complain(w, http.StatusConflict, "The requested resource is in that state already.")
	default:
		if !r.state.Ignore {
			powers[id] = want
		}
		if r.state.Reply == http.StatusAccepted {
			w.Header().Set("Location", redfishRoot+"/TaskService/Tasks/1")
			reply(w, http.StatusAccepted, resource{"@odata.id": redfishRoot + "/TaskService/Tasks/1", "TaskState": r.state.Task})
			return
		}
		w.WriteHeader(r.state.Reply)
	}
}

func ref(to string) resource { return resource{"@odata.id": to} }

func collection(where string, ids map[string]string) resource {
	members := []resource{}
	for _, id := range slices.Sorted(maps.Keys(ids)) {
		members = append(members, ref(where+"/"+id))
	}
	return resource{"Members@odata.count": len(members), "Members": members}
}

func complain(w http.ResponseWriter, status int, text string) {
	reply(w, status, resource{"error": resource{"code": "Base.1.0.GeneralError", "message": "See ExtendedInfo.",
		"@Message.ExtendedInfo": []resource{{"Message": text}}}})
}

func reply(w http.ResponseWriter, status int, body any) {
	w.Header().Set("Content-Type", "application/json")
	w.Header().Set("OData-Version", "4.0")
	w.WriteHeader(status)
	_ = json.NewEncoder(w).Encode(body)
}

// SwitchedOutlet is an outlet of a rack PDU on SNMP: net-snmp's snmpd with two
// integer objects of the net-snmp playpen, one that switches (1 on, 2 off) and
// one that reads (1 on, 0 off).
type SwitchedOutlet struct {
	Policy policy.Outlet // v2c, with a community that may write

	t   testing.TB
	dir string
}

// The secrets of a SwitchedOutlet: communities, and the keys of its SNMPv3 user
// "ebbline" (SHA-256 and AES).
const (
	OutletRead  = "read-test"
	OutletWrite = "write-test"
	OutletAuth  = "authpass-test"
	OutletPriv  = "privpass-test"
)

// outletProgram speaks the pass_persist protocol of snmpd. With plain pass,
// snmpd would remember an answer for some seconds.
const outletProgram = `dir=$1
switch=.1.3.6.1.4.1.8072.9999.9999.1.0
reading=.1.3.6.1.4.1.8072.9999.9999.2.0
while read op; do case $op in
PING) echo PONG ;;
getnext) read oid; echo NONE ;;
get) read oid
    on=$(cat "$dir/on")
    case $oid in
    $switch) echo $oid; echo integer; echo $((2 - on)) ;;
    $reading) echo $oid; echo integer; echo $on ;;
    *) echo NONE ;;
    esac ;;
set) read oid; read type value
    echo $value >> "$dir/orders"
    case $(cat "$dir/mode") in
    refuse) echo not-writable ;;
    ignore) echo DONE ;;
    late) echo DONE; { sleep 0.7; echo $((value % 2)) > "$dir/on"; } >/dev/null & ;;
    *) echo $((value % 2)) > "$dir/on"; echo DONE ;;
    esac ;;
esac; done
`

// StartSwitchedOutlet starts the PDU with its outlet on. It ends with the test.
func StartSwitchedOutlet(t testing.TB) *SwitchedOutlet {
	t.Helper()
	bmcTool(t, snmpd, "snmpd")
	o := &SwitchedOutlet{t: t, dir: t.TempDir()}
	address := freeUDP(t)
	o.Policy = policy.Outlet{
		SNMP: &policy.SNMP{Address: address, Version: 2, Community: OutletRead, WriteWith: OutletWrite, Timeout: 3 * time.Second},
		OID:  ".1.3.6.1.4.1.8072.9999.9999.1.0", Off: 2, On: 1,
		ReadOID: ".1.3.6.1.4.1.8072.9999.9999.2.0", OffReading: 0,
	}
	o.write("outlet.sh", outletProgram)
	o.write("on", "1\n")
	o.SetMode("")
	o.write("snmpd.conf", fmt.Sprintf(`agentaddress udp:%s
rocommunity %s 127.0.0.0/8
rwcommunity %s 127.0.0.0/8
createUser ebbline SHA-256 "%s" AES "%s"
rwuser ebbline priv
pass_persist .1.3.6.1.4.1.8072.9999.9999 /bin/sh %s/outlet.sh %s
`, address, OutletRead, OutletWrite, OutletAuth, OutletPriv, o.dir, o.dir))
	agent := exec.Command(snmpd, "-f", "-r", "-I", "-smux,-mteTrigger,-mteTriggerConf", "-Lf", o.dir+"/log")
	agent.Env = append(os.Environ(), "MIBS=", "SNMPCONFPATH="+o.dir, "SNMP_PERSISTENT_DIR="+o.dir)
	if err := agent.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		_ = agent.Process.Kill()
		_ = agent.Wait()
	})
	for end := time.Now().Add(startsWithin); !strings.Contains(o.read("log"), "NET-SNMP version"); time.Sleep(10 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("snmpd does not start: %s", o.read("log"))
		}
	}
	return o
}

// Secret gives the secrets of the policy, which here are named by their values.
func (o *SwitchedOutlet) Secret(name policy.Secret) ([]byte, error) { return []byte(name), nil }

// SetMode sets what happens to orders: "refuse" them, "ignore" them without a
// word, carry them out "late", or "" to carry them out.
func (o *SwitchedOutlet) SetMode(mode string) { o.write("mode", mode) }

// On tells whether the outlet has power.
func (o *SwitchedOutlet) On() bool { return o.read("on") == "1\n" }

// Orders gives the values that were written so far.
func (o *SwitchedOutlet) Orders() []string { return lines(o.read("orders")) }

func (o *SwitchedOutlet) write(name, text string) {
	o.t.Helper()
	if err := os.WriteFile(filepath.Join(o.dir, name), []byte(text), 0o600); err != nil {
		o.t.Fatal(err)
	}
}

func (o *SwitchedOutlet) read(name string) string {
	text, _ := os.ReadFile(filepath.Join(o.dir, name))
	return string(text)
}

func lines(text string) []string {
	return strings.FieldsFunc(text, func(r rune) bool { return r == '\n' })
}

// bmcTool fails the test when a peer's program is missing.
func bmcTool(t testing.TB, program, debianPackage string) {
	t.Helper()
	if _, err := exec.LookPath(program); err != nil {
		t.Fatalf("%s is missing: apt-get install %s", program, debianPackage)
	}
}
