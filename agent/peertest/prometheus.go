package peertest

import (
	"encoding/json"
	"fmt"
	"net"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"
)

// Prometheus is a real one, of Debian's package prometheus, that reads a target every
// second.
type Prometheus struct {
	URL    string
	t      testing.TB
	client http.Client
}

// StartPrometheus starts one that reads the URL's figures; extra lines go into that
// job's configuration, rules are files of rules.
func StartPrometheus(t testing.TB, target string, extra string, rules ...string) *Prometheus {
	t.Helper()
	PromTool(t)
	u, err := url.Parse(target)
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	config := fmt.Sprintf("global:\n  scrape_interval: 1s\n  evaluation_interval: 1s\nscrape_configs:\n- job_name: ebbline\n  scheme: %s\n  metrics_path: %s\n%s  static_configs:\n  - targets: [%q]\n",
		u.Scheme, u.Path, extra, u.Host)
	if len(rules) > 0 {
		config += "rule_files:\n"
	}
	for _, r := range rules {
		path, err := filepath.Abs(r)
		if err != nil {
			t.Fatal(err)
		}
		config += fmt.Sprintf("- %q\n", path)
	}
	if err := os.WriteFile(filepath.Join(dir, "prometheus.yml"), []byte(config), 0o644); err != nil {
		t.Fatal(err)
	}
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	at := ln.Addr().String()
	ln.Close()
	var log strings.Builder
	cmd := exec.Command("prometheus", "--config.file="+filepath.Join(dir, "prometheus.yml"), "--storage.tsdb.path="+filepath.Join(dir, "data"), "--web.listen-address="+at)
	cmd.Stdout, cmd.Stderr = &log, &log
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		cmd.Process.Kill()
		cmd.Wait()
		if t.Failed() {
			t.Logf("Prometheus:\n%s", log.String())
		}
	})
	return &Prometheus{URL: "http://" + at, t: t, client: http.Client{Timeout: 10 * time.Second}}
}

// Sample is one series of an answer.
type Sample struct {
	Labels map[string]string
	Value  string
}

// Ask gives what an expression comes to now; nil while Prometheus does not answer.
func (p *Prometheus) Ask(expression string) []Sample {
	p.t.Helper()
	resp, err := p.client.Get(p.URL + "/api/v1/query?query=" + url.QueryEscape(expression))
	if err != nil {
		return nil
	}
	defer resp.Body.Close()
	var a struct {
		Error string
		Data  struct {
			Result []struct {
				Metric map[string]string
				Value  [2]any
			}
		}
	}
	if err := json.NewDecoder(resp.Body).Decode(&a); err != nil {
		return nil
	}
	if a.Error != "" {
		p.t.Fatalf("Prometheus does not take %s: %s", expression, a.Error)
	}
	var out []Sample
	for _, r := range a.Data.Result {
		out = append(out, Sample{r.Metric, fmt.Sprint(r.Value[1])})
	}
	return out
}

// Await asks until an answer is as wanted, and fails when that takes far too long.
func (p *Prometheus) Await(expression string, want func([]Sample) bool) []Sample {
	p.t.Helper()
	var got []Sample
	for end := time.Now().Add(2 * time.Minute); time.Now().Before(end); time.Sleep(200 * time.Millisecond) {
		if got = p.Ask(expression); want(got) {
			return got
		}
	}
	p.t.Fatalf("%s comes to %v; targets: %v", expression, got, p.Ask("up"))
	return nil
}

// PromTool runs promtool with the arguments, and gives what it said if it complained.
func PromTool(t testing.TB, args ...string) error {
	t.Helper()
	for _, program := range []string{"prometheus", "promtool"} {
		if _, err := exec.LookPath(program); err != nil {
			t.Fatalf("the test needs %s: apt-get install -y --no-install-recommends prometheus", program)
		}
	}
	if len(args) == 0 {
		return nil
	}
	if out, err := exec.Command("promtool", args...).CombinedOutput(); err != nil {
		return fmt.Errorf("promtool %s: %w\n%s", strings.Join(args, " "), err, out)
	}
	return nil
}

// LintMetrics gives what promlint says against figures.
func LintMetrics(t testing.TB, text []byte) error {
	t.Helper()
	PromTool(t)
	cmd := exec.Command("promtool", "check", "metrics")
	cmd.Stdin = strings.NewReader(string(text))
	if out, err := cmd.CombinedOutput(); err != nil || len(out) > 0 {
		return fmt.Errorf("promtool check metrics: %v\n%s", err, out)
	}
	return nil
}
