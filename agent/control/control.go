// Package control is the agent's ear on its own machine: HTTP and JSON over a
// Unix socket, for `ebbline status` and an operator's orders. Who asks is known
// from the kernel, not from what they say. It must never be reachable from the
// network.
package control

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"time"

	"go.uber.org/zap"
	"golang.org/x/sys/unix"

	"ebbline/agent"
	"ebbline/shutdown"
)

// Agent is what the socket gives access to.
type Agent interface {
	View() agent.View
	Command(o shutdown.Order, by string) error
	CommandHost(o shutdown.Order, c shutdown.Code, host, by string) error
}

// Config says where to listen and who may give orders.
type Config struct {
	Path string // of the socket; its folder belongs to root or to the agent's user, and nobody else may write there
	// OperatorGID is the group whose members may give orders, beside root and
	// the agent's own user; negative for none. Members of the socket's group,
	// which is the agent's, may ask for the status.
	OperatorGID int
	Log         *zap.Logger
	Metrics     http.Handler // the figures for Prometheus; nil for none
}

const (
	statusPath  = "/status"
	orderPath   = "/order"
	metricsPath = "/metrics"

	longestOrder = 512             // bytes of a request's body
	requestTime  = time.Second     // from the connection to the end of the request: who says nothing makes room
	answerTime   = 5 * time.Second // to read the answer
)

// order is the body of a POST to /order.
type order struct {
	Order     string `json:"order"`               // "hold", "release", "proceed", "abort"; "stop", "start", "keep", "clear"
	Host      string `json:"host,omitempty"`      // that the last four are for
	Condition string `json:"condition,omitempty"` // that is cleared
}

// answer is the body of what is not the status.
type answer struct {
	Taken bool   `json:"taken"`
	Error string `json:"error,omitempty"`
}

// Server listens on the socket.
type Server struct {
	config Config
	agent  Agent
	ln     *net.UnixListener
	http   http.Server
}

// Listen makes the socket. A stale one is taken away; one at which somebody
// listens is not.
func Listen(c Config, a Agent) (*Server, error) {
	if c.Log == nil {
		c.Log = zap.NewNop()
	}
	if err := checkFolder(filepath.Dir(c.Path)); err != nil {
		return nil, err
	}
	if err := clear(c.Path); err != nil {
		return nil, err
	}
	// The socket takes its place only when its mode is right.
	fresh := c.Path + ".new"
	if err := os.Remove(fresh); err != nil && !errors.Is(err, os.ErrNotExist) {
		return nil, fmt.Errorf("control: %w", err)
	}
	ln, err := net.ListenUnix("unix", &net.UnixAddr{Name: fresh, Net: "unix"})
	if err != nil {
		return nil, fmt.Errorf("control: %w", err)
	}
	ln.SetUnlinkOnClose(false)
	if err = os.Chmod(fresh, 0o660); err == nil {
		err = os.Rename(fresh, c.Path)
	}
	if err != nil {
		ln.Close()
		return nil, fmt.Errorf("control: %w", errors.Join(err, os.Remove(fresh)))
	}
	s := &Server{config: c, agent: a, ln: ln}
	mux := http.NewServeMux()
	mux.HandleFunc("GET "+statusPath, s.status)
	mux.HandleFunc("POST "+orderPath, s.order)
	if c.Metrics != nil {
		mux.Handle("GET "+metricsPath, c.Metrics)
	}
	s.http = http.Server{
		Handler: mux, ReadTimeout: requestTime, WriteTimeout: answerTime, MaxHeaderBytes: 4 << 10,
		ErrorLog: zap.NewStdLog(c.Log),
		ConnContext: func(ctx context.Context, conn net.Conn) context.Context {
			return context.WithValue(ctx, peerKey{}, conn.(*place).peer)
		},
	}
	s.http.SetKeepAlivesEnabled(false) // a connection is one question, so that none waits for a second
	return s, nil
}

// checkFolder refuses a folder in which others could put a socket of their own.
func checkFolder(path string) error {
	info, err := os.Stat(path)
	if err != nil {
		return fmt.Errorf("control: the socket's folder: %w. The service unit makes it; by hand: install -d -m 0750 %s", err, path)
	}
	var st unix.Stat_t
	if err := unix.Stat(path, &st); err != nil {
		return fmt.Errorf("control: %s: %w", path, err)
	}
	switch own := os.Geteuid(); {
	case !info.IsDir():
		return fmt.Errorf("control: %s is no folder", path)
	case info.Mode().Perm()&0o022 != 0:
		return fmt.Errorf("control: others may write in %s, so that anybody could stand in for the agent. Take that away: chmod go-w %s", path, path)
	case st.Uid != 0 && int(st.Uid) != own:
		return fmt.Errorf("control: %s belongs to user %d, neither root nor the agent (%d)", path, st.Uid, own)
	}
	return nil
}

// clear takes a stale socket away.
func clear(path string) error {
	info, err := os.Lstat(path)
	switch {
	case errors.Is(err, os.ErrNotExist):
		return nil
	case err != nil:
		return fmt.Errorf("control: %w", err)
	case info.Mode()&os.ModeSocket == 0:
		return fmt.Errorf("control: %s is there and is no socket. Move it away", path)
	}
	conn, err := net.DialTimeout("unix", path, time.Second)
	switch {
	case err == nil:
		conn.Close()
		return fmt.Errorf("control: somebody listens at %s already. Is another agent running?", path)
	case !errors.Is(err, unix.ECONNREFUSED):
		return fmt.Errorf("control: whether somebody listens at %s is not clear: %w", path, err)
	}
	return os.Remove(path)
}

// Serve answers until ctx ends, and takes the socket away then.
func (s *Server) Serve(ctx context.Context) error {
	stop := context.AfterFunc(ctx, func() { s.http.Close() })
	defer stop()
	err := s.http.Serve(&limited{UnixListener: s.ln, mayOrder: s.mayOrder})
	os.Remove(s.config.Path)
	if errors.Is(err, http.ErrServerClosed) {
		return nil
	}
	return fmt.Errorf("control: %w", err)
}

func (s *Server) status(w http.ResponseWriter, r *http.Request) {
	reply(w, http.StatusOK, s.agent.View())
}

func (s *Server) order(w http.ResponseWriter, r *http.Request) {
	p, _ := r.Context().Value(peerKey{}).(peer)
	o, err := readOrder(http.MaxBytesReader(w, r.Body, longestOrder))
	if err != nil {
		reply(w, http.StatusBadRequest, answer{Error: err.Error()})
		return
	}
	if !s.mayOrder(p) {
		s.config.Log.Warn("an order is refused", zap.Stringer("order", o.Order), zap.String("host", o.Host), zap.Stringer("by", p))
		reply(w, http.StatusForbidden, answer{Error: fmt.Sprintf("%s may not give orders. Root may, and members of the operators' group", p)})
		return
	}
	if err := s.give(o, p); err != nil {
		code := http.StatusServiceUnavailable
		if errors.Is(err, agent.ErrRefused) {
			code = http.StatusConflict
		}
		reply(w, code, answer{Error: err.Error()})
		return
	}
	reply(w, http.StatusOK, answer{Taken: true})
}

// Order is what an operator orders: for the outage or for one host, or that a
// condition is over.
type Order struct {
	Order     shutdown.Order
	Host      string        // with an order for one host
	Condition shutdown.Code // with [shutdown.Clear]
}

func (s *Server) give(o Order, p peer) error {
	if o.Order.OfHost() {
		return s.agent.CommandHost(o.Order, o.Condition, o.Host, p.String())
	}
	return s.agent.Command(o.Order, p.String())
}

// readOrder reads one order, and nothing else.
func readOrder(body io.Reader) (o Order, err error) {
	var in order
	d := json.NewDecoder(body)
	d.DisallowUnknownFields()
	if err := d.Decode(&in); err != nil {
		return o, fmt.Errorf("an order is written {\"order\": \"hold\"} or {\"order\": \"stop\", \"host\": \"vault\"}: %w", err)
	}
	if d.More() {
		return o, errors.New("an order is one JSON object and nothing behind it")
	}
	o.Host = in.Host
	for w := shutdown.Hold; w <= shutdown.Clear; w++ {
		if w.String() == in.Order {
			o.Order = w
		}
	}
	if in.Condition != "" {
		if o.Condition, err = Condition(in.Condition); err != nil {
			return o, err
		}
	}
	switch {
	case o.Order == 0:
		return o, fmt.Errorf("no order is called %.40q. There are hold, release, proceed and abort; stop, start and keep of a host; and clear", in.Order)
	case (o.Order == shutdown.Clear) != (o.Condition != 0):
		return o, fmt.Errorf("a condition is for the order clear, and that needs one")
	case o.Order.OfHost() && o.Order != shutdown.Clear && o.Host == "":
		return o, fmt.Errorf("%s needs a host", o.Order)
	case !o.Order.OfHost() && o.Host != "":
		return o, fmt.Errorf("%s is for all hosts", o.Order)
	}
	return o, nil
}

// Condition gives the code of a condition's name.
func Condition(name string) (shutdown.Code, error) {
	for _, c := range shutdown.Codes() {
		if c.Condition() && c.String() == name {
			return c, nil
		}
	}
	return 0, fmt.Errorf("no condition is called %.40q. `ebbline status` shows those that stand", name)
}

func (s *Server) mayOrder(p peer) bool {
	g := s.config.OperatorGID
	return p.known && (p.uid == 0 || int(p.uid) == os.Geteuid() || g >= 0 && slices.Contains(p.gids, uint32(g)))
}

func reply(w http.ResponseWriter, code int, body any) {
	w.Header().Set("Content-Type", "application/json")
	w.WriteHeader(code)
	e := json.NewEncoder(w)
	e.SetIndent("", "  ")
	e.Encode(body) // who has gone away needs no answer
}
