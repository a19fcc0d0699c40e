package platform

import "os"

// alive: on Windows, opening the process has already answered.
func alive(p *os.Process) bool { p.Release(); return true }
