package sensor

import (
	"context"
	"fmt"
	"os"
	"runtime"
	"sync"
	"unsafe"

	"golang.org/x/sys/unix"

	"ebbline/policy"
)

// Flags of a line (include/uapi/linux/gpio.h, enum gpio_v2_line_flag).
const (
	lineActiveLow = 1 << 1
	lineInput     = 1 << 2
	linePullUp    = 1 << 8
	linePullDown  = 1 << 9
	lineNoBias    = 1 << 10
)

// ask is the system call by which the kernel is asked: a variable, since no machine
// for tests has a line.
var ask = func(fd int, request uint, arg unsafe.Pointer) error {
	_, _, errno := unix.Syscall(unix.SYS_IOCTL, uintptr(fd), uintptr(request), uintptr(arg))
	runtime.KeepAlive(arg)
	if errno != 0 {
		return errno
	}
	return nil
}

// line is one input of a GPIO character device, held as long as the agent reads it:
// the kernel keeps its bias only so long.
type line struct {
	cfg policy.GPIO
	mu  sync.Mutex
	fd  int // of the line; 0 until it is held
}

// Used implements [Switch].
func (l *line) Used(context.Context) (bool, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.fd == 0 {
		if err := l.hold(); err != nil {
			return false, err
		}
	}
	v := unix.GPIOV2LineValues{Mask: 1}
	if err := ask(l.fd, unix.GPIO_V2_LINE_GET_VALUES_IOCTL, unsafe.Pointer(&v)); err != nil {
		_ = unix.Close(l.fd) // the chip may have gone and come again
		l.fd = 0
		return false, fmt.Errorf("%s, line %d: %w", l.cfg.Chip, l.cfg.Line, err)
	}
	return v.Bits&1 != 0, nil
}

// hold asks the kernel for the line.
func (l *line) hold() error {
	chip, err := os.OpenFile(l.cfg.Chip, os.O_RDWR, 0)
	if err != nil {
		return err
	}
	defer chip.Close()
	r := unix.GPIOV2LineRequest{Num_lines: 1}
	r.Offsets[0] = l.cfg.Line
	copy(r.Consumer[:], "ebbline")
	r.Config.Flags = lineInput | map[string]uint64{"pull_up": linePullUp, "pull_down": linePullDown, "disabled": lineNoBias}[l.cfg.Bias]
	if l.cfg.ActiveLow {
		r.Config.Flags |= lineActiveLow
	}
	if err := ask(int(chip.Fd()), unix.GPIO_V2_GET_LINE_IOCTL, unsafe.Pointer(&r)); err != nil {
		return fmt.Errorf("%s, line %d: %w", l.cfg.Chip, l.cfg.Line, err)
	}
	l.fd = int(r.Fd)
	return nil
}

// Close lets go of the line.
func (l *line) Close() error {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.fd == 0 {
		return nil
	}
	fd := l.fd
	l.fd = 0
	return unix.Close(fd)
}
