package hid

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"unsafe"

	"golang.org/x/sys/unix"

	"ebbline/agent/clean"
	"ebbline/policy"
)

// classDir lists the hidraw nodes without opening one.
const classDir = "/sys/class/hidraw"

// Identity is what a device says of itself.
type Identity struct {
	Node            string // "/dev/hidraw0"; another one each time it is plugged in
	Name, Serial    string
	Vendor, Product uint16
}

// String names a device for people.
func (d Identity) String() string {
	return fmt.Sprintf("%s (%q, serial %q, USB id %04x:%04x)", d.Node, d.Name, d.Serial, d.Vendor, d.Product)
}

// identify reads the kernel's lines on one node: HID_ID=0003:00001209:00000001
// has bus, vendor and product.
func identify(class fs.FS, node string) Identity {
	d := Identity{Node: "/dev/" + node}
	text, _ := fs.ReadFile(class, path.Join(node, "device/uevent"))
	for line := range strings.Lines(string(text)) {
		key, value, _ := strings.Cut(strings.TrimSuffix(line, "\n"), "=")
		switch key {
		case "HID_NAME":
			d.Name = clean.Text(value)
		case "HID_UNIQ":
			d.Serial = clean.Text(value)
		case "HID_ID":
			if parts := strings.Split(value, ":"); len(parts) == 3 {
				vendor, _ := strconv.ParseUint(parts[1], 16, 32)
				product, _ := strconv.ParseUint(parts[2], 16, 32)
				d.Vendor, d.Product = uint16(vendor), uint16(product)
			}
		}
	}
	return d
}

// find gives the node that the policy means.
func find(class fs.FS, cfg policy.HID) (Identity, error) {
	if cfg.Path != "" {
		// A name that udev gives is a link to the node.
		node, err := filepath.EvalSymlinks(cfg.Path)
		if errors.Is(err, fs.ErrNotExist) {
			return Identity{}, fmt.Errorf("%s: no such device; plug the UPS in, or name it by its serial", cfg.Path)
		}
		if err != nil {
			return Identity{}, err
		}
		d := identify(class, filepath.Base(node))
		d.Node = cfg.Path
		return d, nil
	}
	var all, match []Identity
	nodes, _ := fs.ReadDir(class, ".")
	for _, entry := range nodes {
		// One device may have nodes that are not a UPS, with the same serial.
		descriptor, _ := fs.ReadFile(class, path.Join(entry.Name(), "device/report_descriptor"))
		l, err := parse(descriptor)
		if err == nil && !l.isUPS() {
			continue
		}
		d := identify(class, entry.Name())
		if d.Serial == clean.Text(cfg.Serial) {
			match = append(match, d) // one that cannot be parsed as well: opening it says why
		} else if err == nil {
			all = append(all, d)
		}
	}
	switch {
	case len(match) == 1:
		return match[0], nil
	case len(match) > 1:
		return Identity{}, fmt.Errorf("serial %q: %d devices have it: %v; name the UPS by a path that udev gives it", cfg.Serial, len(match), match)
	case len(all) > 0:
		return Identity{}, fmt.Errorf("serial %q: no UPS on USB has it; there are: %v", cfg.Serial, all)
	}
	return Identity{}, fmt.Errorf("serial %q: no UPS on USB is plugged in", cfg.Serial)
}

// isUPS tells whether a device has anything of a UPS.
func (l *layout) isUPS() bool {
	for _, s := range l.slots {
		if len(s.path) > 0 && s.path[0]>>16 == ups>>16 {
			return true
		}
	}
	return false
}

// port is one open hidraw node.
type port struct {
	Identity
	file   *os.File
	layout *layout
}

// open finds the UPS and opens its node.
func open(cfg policy.HID) (*port, error) {
	d, err := find(os.DirFS(classDir), cfg)
	if err != nil {
		return nil, err
	}
	file, err := os.OpenFile(d.Node, os.O_RDWR|unix.O_NONBLOCK, 0)
	if err != nil {
		return nil, opening(d, err)
	}
	p := &port{Identity: d, file: file}
	if err := p.describe(); err != nil {
		p.close()
		return nil, fmt.Errorf("%s: %w", d.Node, err)
	}
	return p, nil
}

// opening says why a node cannot be opened, and what to do about it.
func opening(d Identity, err error) error {
	switch {
	case errors.Is(err, unix.EACCES):
		return fmt.Errorf(`%s: permission denied; write this line into /etc/udev/rules.d/60-ebbline.rules and plug the UPS in again: KERNEL=="hidraw*", ATTRS{idVendor}=="%04x", ATTRS{idProduct}=="%04x", GROUP="ebbline", MODE="0660"`, d.Node, d.Vendor, d.Product)
	case errors.Is(err, unix.EPERM):
		return fmt.Errorf("%s: %w; the service manager keeps devices from the agent: give its unit PrivateDevices=no and DeviceAllow=char-hidraw rw", d.Node, unix.EPERM)
	}
	return err
}

// describe reads the report descriptor.
func (p *port) describe() error {
	var d unix.HIDRawReportDescriptor
	err := p.control(func(fd int) (err error) {
		if d.Size, err = unix.IoctlGetUint32(fd, unix.HIDIOCGRDESCSIZE); err != nil {
			return err
		}
		return unix.IoctlHIDGetDesc(fd, &d)
	})
	if err != nil {
		return fmt.Errorf("it is no hidraw device: %w", err)
	}
	if p.layout, err = parse(d.Value[:min(int(d.Size), len(d.Value))]); err != nil {
		return err
	}
	if !p.layout.isUPS() {
		return fmt.Errorf("the device %q is no UPS: it has nothing of the HID page Power Device", p.Name)
	}
	return nil
}

// control runs an ioctl while the file cannot be closed under it.
func (p *port) control(do func(fd int) error) error {
	raw, err := p.file.SyscallConn()
	if err != nil {
		return err
	}
	outer := raw.Control(func(fd uintptr) { err = do(int(fd)) })
	return errors.Join(outer, err)
}

// close lets go of the node. It does not wait: closing takes as long as a
// request that hangs in the kernel.
func (p *port) close() { go p.file.Close() }

// Requests of hidraw; the length of the buffer goes into bits 16 to 29
// (include/uapi/linux/hidraw.h).
const (
	setFeature = 0xC0004806
	getFeature = 0xC0004807
	getInput   = 0xC000480A // Linux 5.11
)

// get asks the device for a report and gives its data.
func (p *port) get(key reportKey) ([]byte, error) {
	buf := make([]byte, 1+p.layout.bytes[key])
	buf[0] = key.id
	request := uint(getFeature)
	if key.kind == input {
		request = getInput
	}
	n, err := p.transfer(request, buf)
	if err != nil {
		return nil, err
	}
	if n < 1 || n > len(buf) || buf[0] != key.id {
		return nil, fmt.Errorf("asked for %s report %d, the UPS gave another", key.kind, key.id)
	}
	return buf[1:n], nil
}

// set sends a feature report.
func (p *port) set(key reportKey, data []byte) error {
	_, err := p.transfer(setFeature, append([]byte{key.id}, data...))
	return err
}

// transfer runs a request with a report. A signal would end the kernel's wait
// for some devices (uhid's, with EIO), and the runtime sends SIGURG to its own
// threads, so that is kept away.
func (p *port) transfer(request uint, buf []byte) (n int, err error) {
	runtime.LockOSThread()
	defer runtime.UnlockOSThread()
	var urgent, was unix.Sigset_t
	urgent.Val[0] = 1 << (unix.SIGURG - 1)
	if err := unix.PthreadSigmask(unix.SIG_BLOCK, &urgent, &was); err != nil {
		return 0, err
	}
	defer unix.PthreadSigmask(unix.SIG_SETMASK, &was, nil)
	err = p.control(func(fd int) error {
		for {
			got, _, errno := unix.Syscall(unix.SYS_IOCTL, uintptr(fd), uintptr(request|uint(len(buf))<<16), uintptr(unsafe.Pointer(&buf[0])))
			n = int(got)
			if errno == 0 {
				return nil
			}
			if errno != unix.EINTR {
				return errno
			}
		}
	})
	return n, err
}

// gone tells whether an error says that the device was unplugged.
func gone(err error) bool {
	return errors.Is(err, unix.ENODEV) || errors.Is(err, unix.ENXIO) || errors.Is(err, os.ErrClosed)
}

var (
	errSilent = errors.New("the UPS does not answer")
	errHung   = errors.New("the UPS has not answered the request before yet")
)

// within runs one request to the kernel in a goroutine of its own, because one
// that the device does not answer blocks for about 5 s and cannot be
// interrupted. It gives up by the deadline of ctx; the request goes on, holds
// busy, and until its end no other begins. So do must share nothing with its
// caller. Meanwhile hidraw may hold up the opening of other devices, and what
// these are asked (seen with Linux 6.1).
func within[T any](ctx context.Context, busy chan struct{}, do func() (T, error)) (T, error) {
	type answer struct {
		value T
		err   error
	}
	var none T
	if ctx.Err() != nil {
		return none, errHung
	}
	select {
	case busy <- struct{}{}:
	case <-ctx.Done():
		return none, errHung
	}
	done := make(chan answer, 1)
	go func() {
		v, err := do()
		<-busy
		done <- answer{v, err}
	}()
	select {
	case a := <-done:
		return a.value, a.err
	case <-ctx.Done():
		return none, errSilent
	}
}
