//go:build cgo

// The few calls of libpipewire-0.3 that a pair of streams needs, found at run time: neither its header files nor the
// library are needed to build, and where it is missing another path is taken. The declarations repeat what the
// library's public headers promise for its version 0.3 (pipewire/stream.h, spa/buffer/buffer.h, spa/utils/hook.h, MIT
// licence); abi_linux_test.go compares them with the installed headers where a test machine has them.

#define _GNU_SOURCE // SCHED_RESET_ON_FORK

#include "pipewire_format.h"
#include "pipewire_linux.h"

#include <dlfcn.h>
#include <malloc.h>
#include <pthread.h>
#include <sched.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

static struct {
	void (*init)(int *, char ***);
	void *(*thread_loop_new)(const char *, const void *);
	void (*thread_loop_destroy)(void *);
	int (*thread_loop_start)(void *);
	void (*thread_loop_stop)(void *);
	void (*thread_loop_lock)(void *);
	void (*thread_loop_unlock)(void *);
	void *(*thread_loop_get_loop)(void *);
	void *(*context_new)(void *, void *, size_t);
	void (*context_destroy)(void *);
	void *(*context_connect)(void *, void *, size_t);
	int (*core_disconnect)(void *);
	void *(*properties_new)(const char *, ...);
	int (*properties_set)(void *, const char *, const char *);
	void *(*stream_new)(void *, const char *, void *);
	void (*stream_destroy)(void *);
	void (*stream_add_listener)(void *, struct cw_hook *, const struct cw_stream_events *, void *);
	int (*stream_update_properties)(void *, const struct cw_dict *);
	int (*stream_connect)(void *, int, uint32_t, uint32_t, const void **, uint32_t);
	struct cw_pw_buffer *(*stream_dequeue_buffer)(void *);
	int (*stream_queue_buffer)(void *, struct cw_pw_buffer *);
	int (*stream_trigger_process)(void *); // NULL in versions before 0.3.65: not tried there
	int (*stream_get_time)(void *, struct cw_time *, size_t); // may be missing: it came with 0.3.50
} pw;

static const struct {
	const char *name;
	void **at;
} symbols[] = {
	{"pw_init", (void **)&pw.init},
	{"pw_thread_loop_new", (void **)&pw.thread_loop_new},
	{"pw_thread_loop_destroy", (void **)&pw.thread_loop_destroy},
	{"pw_thread_loop_start", (void **)&pw.thread_loop_start},
	{"pw_thread_loop_stop", (void **)&pw.thread_loop_stop},
	{"pw_thread_loop_lock", (void **)&pw.thread_loop_lock},
	{"pw_thread_loop_unlock", (void **)&pw.thread_loop_unlock},
	{"pw_thread_loop_get_loop", (void **)&pw.thread_loop_get_loop},
	{"pw_context_new", (void **)&pw.context_new},
	{"pw_context_destroy", (void **)&pw.context_destroy},
	{"pw_context_connect", (void **)&pw.context_connect},
	{"pw_core_disconnect", (void **)&pw.core_disconnect},
	{"pw_properties_new", (void **)&pw.properties_new},
	{"pw_properties_set", (void **)&pw.properties_set},
	{"pw_stream_new", (void **)&pw.stream_new},
	{"pw_stream_destroy", (void **)&pw.stream_destroy},
	{"pw_stream_add_listener", (void **)&pw.stream_add_listener},
	{"pw_stream_update_properties", (void **)&pw.stream_update_properties},
	{"pw_stream_connect", (void **)&pw.stream_connect},
	{"pw_stream_dequeue_buffer", (void **)&pw.stream_dequeue_buffer},
	{"pw_stream_queue_buffer", (void **)&pw.stream_queue_buffer},
};

static pthread_once_t once = PTHREAD_ONCE_INIT;
static char missing[256];

static void load(void) {
	void *lib = dlopen("libpipewire-0.3.so.0", RTLD_NOW | RTLD_LOCAL);
	if (lib == NULL) {
		snprintf(missing, sizeof missing, "%s", dlerror());
		return;
	}
	for (size_t i = 0; i < sizeof symbols / sizeof symbols[0]; i++) {
		*symbols[i].at = dlsym(lib, symbols[i].name);
		if (*symbols[i].at == NULL) {
			snprintf(missing, sizeof missing, "libpipewire-0.3.so.0 has no %s", symbols[i].name);
			return;
		}
	}
	const char *(*version)(void);
	unsigned major, minor, micro;
	*(void **)&version = dlsym(lib, "pw_get_library_version");
	if (version != NULL && sscanf(version(), "%u.%u.%u", &major, &minor, &micro) == 3 && (major > 0 || minor > 3 || (minor == 3 && micro >= 65)))
		*(void **)&pw.stream_trigger_process = dlsym(lib, "pw_stream_trigger_process");
	*(void **)&pw.stream_get_time = dlsym(lib, "pw_stream_get_time_n");
	pw.init(NULL, NULL);
}

const char *cw_pw_missing(void) {
	pthread_once(&once, load);
	return missing;
}

int cw_pw_realtime(void) {
	int policy = sched_getscheduler(0);
	return policy >= 0 && ((policy & ~SCHED_RESET_ON_FORK) == SCHED_FIFO || (policy & ~SCHED_RESET_ON_FORK) == SCHED_RR);
}

int cw_pw_in_step(void) { return pw.stream_trigger_process != NULL; }

static void on_state(void *data, int old, int state, const char *error) {
	struct cw_pw *p = data;
	if (state < 0 || (state == 0 && old > 0))
		cwPipewireLost(p->handle, (char *)(error ? error : "the stream was disconnected"));
}

// look reads the graph's clock through the stream whose callback the graph has called itself; no other is sure to exist.
static void look(struct cw_pw *p, void *stream) {
	if (pw.stream_get_time == NULL || pw.stream_get_time(stream, &p->clock, sizeof p->clock) < 0)
		p->clock.rate_denom = 0;
}

static void on_capture(void *data) {
	struct cw_pw *p = data;
	struct cw_pw_buffer *b;
	if (cw_pw_in_step())
		look(p, p->in);
	p->captured = 0;
	while ((b = pw.stream_dequeue_buffer(p->in)) != NULL) {
		struct cw_data *d = &b->buffer->datas[0];
		uint32_t at = d->chunk->offset, n = d->chunk->size;
		if (d->data != NULL && at <= d->maxsize && n <= d->maxsize - at && n >= CW_FRAME) {
			cwPipewireCapture(p->handle, (float *)((char *)d->data + at), n / CW_FRAME);
			p->captured += n / CW_FRAME;
		}
		pw.stream_queue_buffer(p->in, b);
	}
	if (cw_pw_in_step())
		pw.stream_trigger_process(p->out); // its turn in this cycle; by itself it would come first, and the sound would wait for the next
}

// missed tells whether the graph went through cycles without our sound since the last call: its clock has run further than a cycle,
// or the last call ended too late for its own.
static int missed(struct cw_pw *p, uint32_t frames) {
	struct cw_time t = p->clock;
	p->start = 0;
	if (t.rate_num == 0 || t.rate_denom == 0)
		return -1;
	uint64_t step = t.ticks - p->ticks;
	uint32_t n = frames > p->last ? frames : p->last;
	double cycle = (double)n / p->rate * t.rate_denom / t.rate_num;
	int yes = p->ticks != 0 && (step > 1.5 * cycle || p->overran);
	p->ticks = t.ticks;
	p->last = frames;
	p->start = t.now;
	p->overran = 0;
	return yes;
}

static void finished(struct cw_pw *p, uint32_t frames) {
	struct timespec now;
	if (p->start == 0 || clock_gettime(CLOCK_MONOTONIC, &now) < 0)
		return;
	p->overran = now.tv_sec * 1000000000LL + now.tv_nsec - p->start > frames * 1000000000LL / p->rate;
}

static void on_playback(void *data) {
	struct cw_pw *p = data;
	struct cw_pw_buffer *b = pw.stream_dequeue_buffer(p->out);
	if (b == NULL)
		return;
	if (!cw_pw_in_step())
		look(p, p->out);
	struct cw_data *d = &b->buffer->datas[0];
	if (d->data != NULL) {
		uint32_t n = d->maxsize / CW_FRAME;
		if (b->requested > 0 && b->requested < n)
			n = (uint32_t)b->requested;
		// Where the graph's cycle has just become shorter, the wish is still that of the longer one. The resampler of a stream at another rate
		// wishes for some frames more or less.
		if (cw_pw_in_step() && p->captured > 0 && n > p->captured + 16)
			n = p->captured;
		p->captured -= n < p->captured ? n : p->captured;
		if (n > 0) {
			cwPipewirePlayback(p->handle, d->data, n, missed(p, n));
			finished(p, n);
		}
		d->chunk->offset = 0;
		d->chunk->stride = CW_FRAME;
		d->chunk->size = n * CW_FRAME;
		b->size = n;
	}
	pw.stream_queue_buffer(p->out, b);
}

static const struct cw_stream_events capture_events = {.version = 2, .state_changed = on_state, .process = on_capture};
static const struct cw_stream_events playback_events = {.version = 2, .state_changed = on_state, .process = on_playback};

static void *stream(struct cw_pw *p, const struct cw_pw_request *q, int capture) {
	char text[64];
	void *props = pw.properties_new(NULL, NULL);
	pw.properties_set(props, "media.type", "Audio");
	pw.properties_set(props, "media.category", capture ? "Capture" : "Playback");
	pw.properties_set(props, "media.name", capture ? "sound to correct" : "corrected sound");
	pw.properties_set(props, "application.name", q->app);
	pw.properties_set(props, "node.name", capture ? "cushwright-in" : "cushwright-out");
	pw.properties_set(props, "target.object", capture ? q->in : q->out);
	if (capture && q->monitor)
		pw.properties_set(props, "stream.capture.sink", "true");
	pw.properties_set(props, "node.dont-reconnect", "true");
	pw.properties_set(props, "state.restore-props", "false");
	pw.properties_set(props, "state.restore-target", "false");
	snprintf(text, sizeof text, "cushwright-%d", q->pid);
	pw.properties_set(props, "node.group", text); // one clock drives both
	pw.properties_set(props, "node.link-group", text);
	snprintf(text, sizeof text, "%u/%u", q->frames, q->rate);
	pw.properties_set(props, "node.latency", text);
	void *s = pw.stream_new(p->core, capture ? "sound to correct" : "corrected sound", props);
	if (s == NULL)
		return NULL;
	pw.stream_add_listener(s, capture ? &p->in_hook : &p->out_hook, capture ? &capture_events : &playback_events, p);
	uint32_t pod[sizeof cw_format / sizeof cw_format[0]];
	memcpy(pod, cw_format, sizeof pod);
	pod[CW_RATE_WORD] = q->rate;
	const void *params[1] = {pod};
	uint32_t flags = 1 << 0 | 1 << 2 | 1 << 4; // connect by itself, map the buffers, process on the data thread
	if (!capture && cw_pw_in_step())
		flags |= 1 << 9; // process when triggered
	if (pw.stream_connect(s, capture ? 0 : 1, 0xffffffff, flags, params, 1) < 0) {
		pw.stream_destroy(s);
		return NULL;
	}
	return s;
}

struct cw_pw *cw_pw_open(const struct cw_pw_request *q, const char **failed) {
	struct cw_pw *p = calloc(1, sizeof *p);
	if (p == NULL) {
		*failed = "memory";
		return NULL;
	}
	p->handle = q->handle;
	p->rate = q->rate;
	*failed = "loop";
	if ((p->loop = pw.thread_loop_new("cushwright", NULL)) == NULL)
		goto fail;
	*failed = "context";
	void *props = pw.properties_new(NULL, NULL);
	pw.properties_set(props, "config.name", "client-rt.conf"); // with the module that asks for real-time scheduling
	if ((p->context = pw.context_new(pw.thread_loop_get_loop(p->loop), props, 0)) == NULL)
		goto fail;
	*failed = "connection";
	if ((p->core = pw.context_connect(p->context, NULL, 0)) == NULL)
		goto fail;
	*failed = "capture stream";
	if ((p->in = stream(p, q, 1)) == NULL)
		goto fail;
	*failed = "output stream";
	if ((p->out = stream(p, q, 0)) == NULL)
		goto fail;
	*failed = "thread";
	if (pw.thread_loop_start(p->loop) < 0)
		goto fail;
	return p;
fail:
	cw_pw_close(p);
	return NULL;
}

int cw_pw_cycle(struct cw_pw *p, uint32_t frames, uint32_t rate) {
	char text[64];
	snprintf(text, sizeof text, "%u/%u", frames, rate);
	struct cw_dict_item item = {"node.latency", text};
	struct cw_dict dict = {0, 1, &item};
	pw.thread_loop_lock(p->loop);
	int n = pw.stream_update_properties(p->in, &dict);
	if (n >= 0)
		n = pw.stream_update_properties(p->out, &dict);
	pw.thread_loop_unlock(p->loop);
	return n;
}

void cw_pw_close(struct cw_pw *p) {
	if (p->loop != NULL)
		pw.thread_loop_stop(p->loop);
	if (p->in != NULL)
		pw.stream_destroy(p->in); // first: its callback triggers the other
	if (p->out != NULL)
		pw.stream_destroy(p->out);
	if (p->core != NULL)
		pw.core_disconnect(p->core);
	if (p->context != NULL)
		pw.context_destroy(p->context);
	if (p->loop != NULL)
		pw.thread_loop_destroy(p->loop);
	free(p);
#ifdef __GLIBC__
	malloc_trim(0); // a context and its threads leave their arenas in holes: without this the process grows with each reopening
#endif
}
