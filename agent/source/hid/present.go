package hid

import (
	"io/fs"
	"os"
	"path"
)

// Present lists the UPSs that are plugged in, without opening one.
func Present() []Identity { return present(os.DirFS(classDir)) }

func present(class fs.FS) (list []Identity) {
	nodes, _ := fs.ReadDir(class, ".") // none: no device on USB has one
	for _, entry := range nodes {
		descriptor, _ := fs.ReadFile(class, path.Join(entry.Name(), "device/report_descriptor"))
		if l, err := parse(descriptor); err == nil && l.isUPS() {
			list = append(list, identify(class, entry.Name()))
		}
	}
	return list
}
