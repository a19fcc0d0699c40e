// Package thread gives an audio thread its priority, on Linux: SCHED_RR, of the kernel where that is permitted, else of
// RealtimeKit. SCHED_RESET_ON_FORK is set, which RealtimeKit asks for and which keeps the priority from child
// processes.
package thread
