package history

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// BenchmarkSample is what the agent's loop pays for one reading: thinning and
// the queue. The disk is not in it.
func BenchmarkSample(b *testing.B) {
	for name, during := range map[string]During{"normal": DuringNormal, "dense": DuringTest} {
		b.Run(name, func(b *testing.B) {
			s := newWriter(&file{}, Options{NormalEvery: usualEvery})
			b.ReportAllocs()
			for i := range b.N {
				s.RecordSample(reading(float64(2*i), during))
			}
		})
	}
}

// BenchmarkBatch is what the disk pays: batches of samples, each one transaction
// with its sync, and the bytes that a sample takes in the file.
func BenchmarkBatch(b *testing.B) {
	for _, n := range []int{5, 1000} {
		b.Run(fmt.Sprintf("%d-samples", n), func(b *testing.B) {
			path := filepath.Join(b.TempDir(), "history.db")
			s := open(b, path, Options{})
			clock := 0
			b.ResetTimer()
			for range b.N {
				for range n {
					clock++
					must(b, s.RecordSample(reading(float64(clock), DuringTest)))
				}
				must(b, s.Flush(b.Context()))
			}
			b.StopTimer()
			must(b, s.Close(b.Context()))
			b.ReportMetric(float64(b.N*n)/b.Elapsed().Seconds(), "samples/s")
			b.ReportMetric(float64(size(path))/float64(clock), "bytes/sample")
		})
	}
}

// BenchmarkOutage is one outage on the disk, from the record to the sync.
func BenchmarkOutage(b *testing.B) {
	s := open(b, filepath.Join(b.TempDir(), "history.db"), Options{})
	n := 0
	for b.Loop() {
		n++
		must(b, s.RecordOutage(anOutage(uint32(n), float64(n)*1000)))
		must(b, s.Flush(b.Context()))
	}
}

// BenchmarkResident is the memory of this test process by the kernel's account,
// before the first record and after thousands; what the store adds is the
// difference. It counts once, whatever b.N is.
func BenchmarkResident(b *testing.B) {
	path := filepath.Join(b.TempDir(), "history.db")
	s := open(b, path, Options{})
	before := resident(b)
	must(b, s.RecordOutage(anOutage(1, 100)))
	must(b, s.Flush(b.Context()))
	opened := resident(b)
	for i := range 20_000 {
		must(b, s.RecordSample(reading(float64(i), DuringTest)))
		if i%5 == 0 {
			must(b, s.Flush(b.Context()))
		}
	}
	b.ReportMetric(float64(before), "KiB-before")
	b.ReportMetric(float64(opened-before), "KiB-to-open")
	b.ReportMetric(float64(resident(b)-before), "KiB-after-4000-batches")
	b.ReportMetric(0, "ns/op")
}

func resident(b *testing.B) (kib int) {
	b.Helper()
	status, err := os.ReadFile("/proc/self/status")
	must(b, err)
	_, rest, _ := strings.Cut(string(status), "VmRSS:")
	fmt.Sscan(rest, &kib)
	return kib
}
