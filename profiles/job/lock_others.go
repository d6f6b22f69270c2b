//go:build !(linux || darwin || freebsd || netbsd || openbsd || dragonfly)

package job

// lock does nothing where the system has no lock that ends with its process: two
// people who save within the same moment are then told apart by ErrChanged alone.
func lock(string) (unlock func(), err error) { return func() {}, nil }
