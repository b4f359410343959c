package probe

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strconv"
	"syscall"
	"time"

	"golang.org/x/sys/unix"
)

// Run starts the command in a process group of its own, keeps what it prints,
// and stops it with all its children at the end of its time or when ctx is
// done. A command that does not heed the request to stop is killed after the
// grace. Run returns when no child of the command is left.
func (l Load) Run(ctx context.Context) (Ran, error) {
	if len(l.Args) == 0 {
		return Ran{}, errNoCommand
	}
	if l.Grace <= 0 {
		l.Grace = defaultGrace
	}
	if l.Most <= 0 {
		l.Most = defaultMost
	}
	out := &bounded{w: l.Output, left: l.Most}
	// Children that leave the process group come back to this process when
	// their parent dies, so that none can hide.
	if err := unix.Prctl(unix.PR_SET_CHILD_SUBREAPER, 1, 0, 0, 0); err != nil {
		return Ran{}, fmt.Errorf("the command's children could not be kept in sight: %w", err)
	}
	type ended struct {
		ran Ran
		err error
	}
	done := make(chan ended, 1)
	go func() {
		// The parent-death signal belongs to the thread that started the child.
		runtime.LockOSThread()
		defer runtime.UnlockOSThread()
		ran, err := l.supervise(ctx, out)
		done <- ended{ran, err}
	}()
	e := <-done
	var writeErr error
	e.ran.Bytes, e.ran.Dropped, writeErr = out.counts()
	if e.err == nil && writeErr != nil {
		e.err = fmt.Errorf("the command's output could not be kept: %w", writeErr)
	}
	return e.ran, e.err
}

func (l Load) supervise(ctx context.Context, out *bounded) (Ran, error) {
	cmd := exec.Command(l.Args[0], l.Args[1:]...)
	cmd.Dir, cmd.Stdout, cmd.Stderr = l.Dir, out, out
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true, Pdeathsig: syscall.SIGKILL}
	cmd.WaitDelay = time.Second
	before := children()
	start := time.Now()
	if err := cmd.Start(); err != nil {
		var notFound *exec.Error
		if errors.As(err, &notFound) {
			return Ran{}, fmt.Errorf("%s: %v", notFound.Name, notFound.Err)
		}
		return Ran{}, err
	}
	exited := make(chan error, 1)
	go func() { exited <- cmd.Wait() }()

	ctx, cancel := context.WithTimeout(ctx, l.Duration)
	defer cancel()
	var ran Ran
	var waitErr error
	select {
	case waitErr = <-exited:
	case <-ctx.Done():
		ran.Stopped = true
		syscall.Kill(-cmd.Process.Pid, syscall.SIGTERM)
		select {
		case waitErr = <-exited:
		case <-time.After(l.Grace):
			ran.Killed = true
			syscall.Kill(-cmd.Process.Pid, syscall.SIGKILL)
			waitErr = <-exited
		}
	}
	ran.Elapsed = time.Since(start)
	syscall.Kill(-cmd.Process.Pid, syscall.SIGKILL)
	ran.Left = reapOthers(before)
	if cmd.ProcessState != nil {
		ran.ExitCode = cmd.ProcessState.ExitCode()
		if status, ok := cmd.ProcessState.Sys().(syscall.WaitStatus); ok && status.Signaled() {
			ran.Signal = status.Signal().String()
		}
	}
	var exit *exec.ExitError
	if waitErr != nil && !errors.As(waitErr, &exit) && !errors.Is(waitErr, exec.ErrWaitDelay) {
		return ran, waitErr
	}
	return ran, nil
}

// reapOthers kills and collects every descendant of this process that was not
// there before, and returns how many had to be killed.
func reapOthers(before map[int]bool) int {
	killed := map[int]bool{}
	for range 500 {
		left := 0
		for pid := range children() {
			if before[pid] {
				continue
			}
			left++
			if !zombie(pid) {
				killed[pid] = true
			}
			killAll(pid)
			syscall.Wait4(pid, nil, syscall.WNOHANG, nil)
		}
		if left == 0 {
			break
		}
		time.Sleep(5 * time.Millisecond)
	}
	return len(killed)
}

// children returns the processes whose parent is this one.
func children() map[int]bool {
	out := map[int]bool{}
	for _, pid := range childrenOf(os.Getpid()) {
		out[pid] = true
	}
	return out
}

func killAll(pid int) {
	for _, child := range childrenOf(pid) {
		killAll(child)
	}
	syscall.Kill(pid, syscall.SIGKILL)
}

func childrenOf(parent int) []int {
	stats, _ := filepath.Glob("/proc/[0-9]*/stat")
	var out []int
	for _, path := range stats {
		pid, _, ppid := stat(path)
		if ppid == parent {
			out = append(out, pid)
		}
	}
	return out
}

func zombie(pid int) bool {
	_, state, _ := stat(fmt.Sprintf("/proc/%d/stat", pid))
	return state == 'Z'
}

// stat reads process number, state and parent; see proc(5). The name in
// parentheses may hold anything.
func stat(path string) (pid int, state byte, ppid int) {
	data, err := os.ReadFile(path)
	if err != nil {
		return 0, 0, 0
	}
	open, end := bytes.IndexByte(data, '('), bytes.LastIndexByte(data, ')')
	if open < 1 || end < open {
		return 0, 0, 0
	}
	pid, _ = strconv.Atoi(string(bytes.TrimSpace(data[:open])))
	fields := bytes.Fields(data[end+1:])
	if len(fields) < 2 {
		return 0, 0, 0
	}
	ppid, _ = strconv.Atoi(string(fields[1]))
	return pid, fields[0][0], ppid
}
