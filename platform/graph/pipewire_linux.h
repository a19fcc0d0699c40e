// The part of libpipewire-0.3's interface that pipewire_linux.c uses; see there.

#include <stddef.h>
#include <stdint.h>

#define CW_FRAME 8 // bytes of a stereo float32 frame

struct cw_chunk {
	uint32_t offset, size;
	int32_t stride, flags;
};

struct cw_data {
	uint32_t type, flags;
	int64_t fd;
	uint32_t mapoffset, maxsize;
	void *data;
	struct cw_chunk *chunk;
};

struct cw_buffer {
	uint32_t n_metas, n_datas;
	void *metas;
	struct cw_data *datas;
};

struct cw_pw_buffer {
	struct cw_buffer *buffer;
	void *user_data;
	uint64_t size, requested;
};

struct cw_stream_events {
	uint32_t version;
	void (*destroy)(void *);
	void (*state_changed)(void *, int, int, const char *);
	void (*control_info)(void *, uint32_t, const void *);
	void (*io_changed)(void *, uint32_t, void *, uint32_t);
	void (*param_changed)(void *, uint32_t, const void *);
	void (*add_buffer)(void *, struct cw_pw_buffer *);
	void (*remove_buffer)(void *, struct cw_pw_buffer *);
	void (*process)(void *);
	void (*drained)(void *);
	void (*command)(void *, const void *);
	void (*trigger_done)(void *);
};

struct cw_hook {
	void *next, *prev;
	const void *funcs;
	void *data;
	void (*removed)(struct cw_hook *);
	void *priv;
};

struct cw_dict_item {
	const char *key, *value;
};

struct cw_dict {
	uint32_t flags, n_items;
	const struct cw_dict_item *items;
};

struct cw_time { // with room for what later versions add
	int64_t now;
	uint32_t rate_num, rate_denom;
	uint64_t ticks;
	uint64_t more[12];
};

struct cw_pw {
	void *loop, *context, *core, *in, *out;
	struct cw_hook in_hook, out_hook;
	uintptr_t handle;
	uint32_t rate, last; // of the streams, Hz; of the last cycle, frames
	uint64_t ticks;      // of the graph's clock at the last cycle; the data thread's, like last and the following
	struct cw_time clock; // as read in this cycle; rate_denom is 0 if it could not be
	int64_t start;       // of the cycle under way, ns of CLOCK_MONOTONIC; 0 if that is not known
	int overran;         // the last call ended after its cycle
	uint32_t captured;   // frames of this cycle that were not played yet; in step only
};

struct cw_pw_request {
	const char *app, *in, *out;
	int monitor, pid; // monitor: in names a sink whose monitor is meant
	uint32_t rate, frames;
	uintptr_t handle;
};

const char *cw_pw_missing(void);
int cw_pw_in_step(void); // whether the output's turn comes after the capture's in the same cycle
int cw_pw_realtime(void); // whether the calling thread is scheduled so
struct cw_pw *cw_pw_open(const struct cw_pw_request *q, const char **failed);
int cw_pw_cycle(struct cw_pw *p, uint32_t frames, uint32_t rate); // wishes for cycles of another length
void cw_pw_close(struct cw_pw *p);

// Implemented in Go.
extern void cwPipewireCapture(uintptr_t handle, float *in, uint32_t frames);
extern void cwPipewirePlayback(uintptr_t handle, float *out, uint32_t frames, int missed); // missed: cycles were, since the last call; -1: not known
extern void cwPipewireLost(uintptr_t handle, char *why);
