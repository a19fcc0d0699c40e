package platform

import (
	"context"
	"fmt"
	"os"
	"os/exec"
	"os/signal"
	"strconv"
	"sync"
	"syscall"
	"time"

	"cushwright/platform/pulse"
)

// guardianArg is the hidden argument that makes this program a guardian.
const guardianArg = "guard-the-routing"

const (
	guardianReady = 'g' // what the guardian writes when it is in place
	guardianBye   = 'r' // what the engine writes before it ends in good order
)

// Guardian is the process that undoes the routing if the engine dies without doing so.
type Guardian struct {
	cmd  *exec.Cmd
	pipe *os.File
	once sync.Once
	done chan struct{} // closed when the process has ended
	err  error
}

// StartGuardian starts this program again as the engine's guardian, in a session of its own, so that what ends the
// engine does not end it. It waits at a pipe. End-of-file proves that the engine is dead; a process that exists does
// not prove that it lives, since a zombie exists too. StartGuardian returns when the guardian is in place; start it
// before Take.
func StartGuardian(o RouterOptions) (*Guardian, error) {
	fail := func(err error) (*Guardian, error) {
		return nil, fmt.Errorf("platform: start %q: %w", "guardian", err)
	}
	o, err := o.filled()
	if err != nil {
		return fail(err)
	}
	exe, err := os.Executable()
	if err != nil {
		return fail(err)
	}
	r, w, err := os.Pipe()
	if err != nil {
		return fail(err)
	}
	defer r.Close()
	cmd := exec.Command(exe, guardianArg, o.Server, strconv.Itoa(os.Getpid()))
	cmd.Stdin, cmd.Stderr = r, os.Stderr
	cmd.SysProcAttr = &syscall.SysProcAttr{Setsid: true}
	answer, answerEnd, err := os.Pipe()
	if err != nil {
		w.Close()
		return fail(err)
	}
	defer answer.Close()
	cmd.Stdout = answerEnd
	err = cmd.Start()
	answerEnd.Close()
	if err != nil {
		w.Close()
		return fail(err)
	}
	g := &Guardian{cmd: cmd, pipe: w, done: make(chan struct{})}
	go func() { g.err = cmd.Wait(); close(g.done) }()
	answer.SetReadDeadline(time.Now().Add(10 * time.Second))
	b := make([]byte, 1)
	if _, err := answer.Read(b); err != nil || b[0] != guardianReady {
		w.Close()
		cmd.Process.Kill()
		return fail(fmt.Errorf("%s does not answer as one (%q, %v)", exe, b, err))
	}
	return g, nil
}

// Done is closed when the guardian has ended; before Released that means that nobody guards any more.
func (g *Guardian) Done() <-chan struct{} { return g.done }

// PID of the guardian.
func (g *Guardian) PID() int { return g.cmd.Process.Pid }

// Released tells the guardian that the engine has undone the routing itself, and waits for its end. Safe to call twice.
func (g *Guardian) Released() error {
	g.once.Do(func() {
		g.pipe.Write([]byte{guardianBye})
		g.pipe.Close()
	})
	select {
	case <-g.done:
		return g.err
	case <-time.After(2 * time.Second):
		return fmt.Errorf("platform: end %q: it does not end", "guardian")
	}
}

// GuardianMain is the guardian's main: the command calls it first of all with os.Args[1:]. handled says that this
// process is a guardian and has done its work: exit with the code.
func GuardianMain(args []string) (handled bool, exit int) {
	if len(args) != 3 || args[0] != guardianArg {
		return false, 0
	}
	signal.Ignore(syscall.SIGTERM, syscall.SIGINT, syscall.SIGHUP, syscall.SIGQUIT, syscall.SIGPIPE)
	owner, err := strconv.Atoi(args[2])
	if err != nil {
		return true, 2
	}
	// Every millisecond after the engine's death is heard. So the guardian connects before it, and takes a higher
	// priority where the system permits that. The priority is the process group's, because that of the process would be
	// this one thread's.
	syscall.Setpriority(syscall.PRIO_PGRP, 0, -11)
	standby, _ := pulse.Dial(args[1])
	os.Stdout.Write([]byte{guardianReady})
	os.Stdout.Close()
	b := make([]byte, 1)
	for {
		n, err := os.Stdin.Read(b)
		if n == 1 && b[0] == guardianBye {
			return true, 0
		}
		if err != nil {
			break
		}
	}
	// A server that restarts at this moment gets a second chance.
	for try := 0; ; try++ {
		err = guardianUndo(standby, args[1], owner)
		standby = nil
		if err == nil || try == 9 {
			break
		}
		time.Sleep(20 * time.Millisecond << try)
	}
	if err != nil {
		fmt.Fprintf(os.Stderr, "platform: put back %q: %v\n", "sound routing", err)
		return true, 1
	}
	return true, 0
}

// guardianUndo undoes the owner's routing, over p if that connection still stands.
func guardianUndo(p *pulse.Conn, server string, owner int) error {
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
	defer cancel()
	if p == nil || !p.Alive() {
		var err error
		if p, err = pulse.Dial(server); err != nil {
			return err
		}
	}
	defer p.Close()
	done, err := p.Undo(ctx, owner)
	for _, d := range done {
		fmt.Fprintf(os.Stderr, "guardian: the engine (process %d) died: %s\n", owner, d)
	}
	return err
}
