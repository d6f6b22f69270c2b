package rig

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
)

// KernelRoot is the environment variable with the folder into which Debian's
// package of an ordinary kernel was unpacked; without it the system's own is used.
const KernelRoot = "PLUGPROOF_KERNEL"

// ErrNoVirtual is what RunVirtual's error wraps when it lacks something.
var ErrNoVirtual = errors.New("no virtual machine: it needs qemu-system-x86, busybox-static and an ordinary kernel's package")

// virtualModules are those of an ordinary kernel, in the order in which each
// finds what it needs. The rig's kernel has no ISO-TP.
func virtualModules() []string {
	return []string{"net/can/can", "net/can/can-raw", "net/can/can-isotp", "drivers/net/can/dev/can-dev", "drivers/net/can/vcan"}
}

// doneMark comes before the exit code on the console.
const doneMark = "the program ended with "

// RunVirtual boots an ordinary kernel in a virtual machine under software
// emulation, with ISO-TP and vcan0 up, runs a statically linked program there
// and returns its exit code. The machine has no disk: the program sees itself
// only, p.Dir and p.In are not used.
func RunVirtual(ctx context.Context, p Program) (int, error) {
	machine, box, kernel, tree, err := virtualInstalled()
	if err != nil {
		return 0, err
	}
	dir, err := os.MkdirTemp("", "plugproof-virtual-")
	if err != nil {
		return 0, err
	}
	defer os.RemoveAll(dir)
	image, err := diskImage(ctx, p, dir, box, tree)
	if err != nil {
		return 0, err
	}
	cmd := exec.CommandContext(ctx, machine, "-kernel", kernel, "-initrd", image, "-m", "512", "-nographic", "-no-reboot",
		// The machine's clock counts its instructions, 2 ns each, and skips what it
		// would wait: however busy the host is, no timer in there runs out early.
		"-icount", "shift=1,sleep=off", "-net", "none", "-append", "console=ttyS0 quiet panic=-1 rdinit=/init")
	var console bytes.Buffer
	cmd.Stdout, cmd.Stderr = &console, &console
	ownGroup(cmd)
	runErr := cmd.Run()
	if ctx.Err() != nil {
		return 0, fmt.Errorf("the virtual machine was ended: %w\n%s", context.Cause(ctx), &console)
	}
	said := strings.ReplaceAll(console.String(), "\r", "")
	out, code, ok := strings.Cut(said, doneMark)
	if !ok {
		return 0, fmt.Errorf("the virtual machine ended without running the program: %w\n%s", runErr, said)
	}
	if p.Out != nil {
		if _, err := p.Out.Write([]byte(out)); err != nil {
			return 0, err
		}
	}
	number, _, _ := strings.Cut(code, "\n")
	return strconv.Atoi(strings.TrimSpace(number))
}

// virtualInstalled finds the machine, busybox, the newest kernel and its modules.
func virtualInstalled() (machine, box, kernel, tree string, err error) {
	if machine, err = exec.LookPath("qemu-system-x86_64"); err == nil {
		box, err = exec.LookPath("busybox")
	}
	if err != nil {
		return "", "", "", "", fmt.Errorf("%w (%w)", ErrNoVirtual, err)
	}
	root := os.Getenv(KernelRoot)
	trees, err := filepath.Glob(root + "/lib/modules/*-amd64/kernel/net/can/can-isotp.ko")
	if err != nil || len(trees) == 0 {
		return "", "", "", "", fmt.Errorf("%w (no can-isotp.ko below %s/lib/modules)", ErrNoVirtual, root)
	}
	tree = strings.TrimSuffix(slices.Max(trees), "/net/can/can-isotp.ko")
	kernel = filepath.Join(root, "boot", "vmlinuz-"+filepath.Base(filepath.Dir(tree)))
	return machine, box, kernel, tree, nil
}

// diskImage packs the program, busybox, the modules and a script that runs them.
func diskImage(ctx context.Context, p Program, dir, box, tree string) (string, error) {
	root := filepath.Join(dir, "root")
	files := map[string]string{"/bin/busybox": box, "/program": p.Args[0]}
	for _, m := range virtualModules() {
		files["/"+filepath.Base(m)+".ko"] = filepath.Join(tree, m+".ko")
	}
	for _, d := range []string{"bin", "proc", "sys", "tmp", "dev"} {
		if err := os.MkdirAll(filepath.Join(root, d), 0o755); err != nil {
			return "", err
		}
	}
	for to, from := range files {
		b, err := os.ReadFile(from)
		if err != nil {
			return "", err
		}
		if err := os.WriteFile(root+to, b, 0o755); err != nil {
			return "", err
		}
	}
	if err := os.WriteFile(filepath.Join(root, "init"), []byte(virtualScript(p)), 0o755); err != nil {
		return "", err
	}
	image := filepath.Join(dir, "image")
	pack := exec.CommandContext(ctx, "sh", "-c", `cd "$1" && find . | "$2" cpio -o -H newc > "$3"`, "pack", root, box, image)
	if out, err := pack.CombinedOutput(); err != nil {
		return "", fmt.Errorf("packing the disk image: %w\n%s", err, out)
	}
	return image, nil
}

// virtualScript prepares the booted system, runs the program and switches off.
func virtualScript(p Program) string {
	const box = "/bin/busybox "
	var b strings.Builder
	b.WriteString("#!/bin/busybox sh\n")
	for _, s := range []string{"mount -t proc proc /proc", "mount -t sysfs sys /sys", "mount -t devtmpfs dev /dev"} {
		b.WriteString(box + s + "\n")
	}
	for _, m := range virtualModules() {
		b.WriteString(box + "insmod /" + filepath.Base(m) + ".ko\n")
	}
	b.WriteString(box + "ip link add vcan0 type vcan\n" + box + "ip link set vcan0 up\n")
	b.WriteString("export " + Inside + "=1 PATH=/bin HOME=/tmp\n")
	for _, e := range p.Env {
		b.WriteString("export " + quote(e) + "\n")
	}
	b.WriteString("/program")
	for _, a := range p.Args[1:] {
		b.WriteString(" " + quote(a))
	}
	b.WriteString("\necho " + quote(doneMark) + "$?\n" + box + "poweroff -f\n")
	return b.String()
}
