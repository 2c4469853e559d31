/* SPDX-License-Identifier: GPL-3.0-or-later
 * bench: bench.yaml as stands with instruments, made safe and identified. */
#ifndef AMPLEDGER_BENCH_BENCH_H
#define AMPLEDGER_BENCH_BENCH_H

#include "base/battery.h"
#include "hooks/hooks.h"
#include "instrument/instrument.h"

#include <stddef.h>

#define PATH_SIZE 256
#define GROUP_SIZE 64
#define HTTP_ADDRESS_SIZE 64
#define HTTP_NAME_SIZE 80
#define HTTP_NAMES_MAX 8

/* Where page and API listen over TCP. */
struct bench_http {
    char address[HTTP_ADDRESS_SIZE]; /* "127.0.0.1:8470"; "" nowhere */
    size_t name_count;               /* names by which browsers ask for it, besides the address */
    char names[HTTP_NAMES_MAX][HTTP_NAME_SIZE];
    bool token_always; /* also from this computer: something passes on what others ask */
    char certificate[PATH_SIZE], key[PATH_SIZE]; /* PEM files; "" both: no TLS */
};

enum sense { SENSE_TWO_WIRE, SENSE_REMOTE, SENSE_METER };

struct stand_config {
    char name[LABEL_SIZE];
    int line;
    enum sense sense; /* where voltage is read: default two-wire; meter if one is given */
    double lead_ohm;  /* out and back, between the voltage source's terminals and the battery; 0
                         unless two-wire */
    struct instrument
        *instrument[4]; /* by enum role; NULL when the stand has none; owned by the bench */
};

struct bench {
    char path[PATH_SIZE];
    char title[96];
    char database[PATH_SIZE]; /* absolute or beside bench.yaml */
    char socket[PATH_SIZE];
    unsigned socket_mode;          /* 0660 unless said otherwise */
    char socket_group[GROUP_SIZE]; /* "": that of the process */
    struct bench_http http;
    char profiles_dir[PATH_SIZE];
    char drivers_dir[PATH_SIZE];
    char virtual_control[PATH_SIZE]; /* control socket of a virtual bench, "" with real instruments
                                      */
    double record_within_s; /* how long records may wait in memory for the disk; NAN not given */
    struct hooks_config events; /* who is told what happens */
    size_t stand_count;
    struct stand_config *stands;
    size_t driver_count;
    struct driver **drivers; /* each file loaded once */
    size_t variant_count;
    struct driver **variants; /* drivers as changed for one instrument: ratings, accuracy */
    char *text;
    char sha256[SHA256_TEXT_SIZE];
    struct follower *follower; /* the virtual bench that follows our time; see bench_clock() */
};

/* Parse and load drivers; opens no link. File names are taken beside bench.yaml
 * unless absolute, also those of links tty: and file:, and of serial: when they
 * hold a slash. Left out, these are: database ampledger.db, socket
 * ampledger.sock, profiles and drivers the folders of that name. Mistakes (unknown driver, two
 * instruments on one link, two stands of one name, two-wire without lead
 * resistance is fine but flagged by the plan) name file, line, column, remedy. */
bool bench_load(const char *path, struct bench **out, struct err *e) NODISCARD;
/* What the text of a bench file, as a run keeps it, says of the whole bench. One that cannot be
 * read says nothing: title "", not virtual. */
struct bench_facts {
    char title[96];
    bool is_virtual; /* its instruments are simulated */
};
struct bench_facts bench_facts_of(const char *text);
void bench_free(struct bench *b); /* NULL is fine; frees the instruments, switches nothing off */

/* Where to listen for browsers, as a person writes it: "8470" or "127.0.0.1:8470" or
 * "[::1]:8470" or "0.0.0.0:8470"; port 0 takes a free one. *out is the address in full.
 * The message is a bare sentence. */
bool bench_http_parse(const char *text, char out[HTTP_ADDRESS_SIZE], struct err *e) NODISCARD;
/* Can other computers reach such an address? */
bool bench_http_is_far(const char *address);
/* Where that is, in words for the log: an address that a browser can open, also where it listens on
 * every address of this computer. */
#define HTTP_WORDS_SIZE 320
void bench_http_words(const struct bench_http *http, char out[HTTP_WORDS_SIZE]);
/* Must whoever asks there show a token? Where other computers reach it, where it was said so,
 * and where names are given: then something else passes on what comes from afar. */
bool bench_http_needs_token(const struct bench_http *http);

struct stand_config *bench_stand(struct bench *b, const char *name,
                                 struct err *e); /* NULL + ERR_NOT_FOUND, nearest named */

/* Open, make safe, identify every instrument of one stand, in that order of
 * urgency: every openable load and supply is made safe before anything is
 * asked. Goes through all even when some fail; *e holds the first failure,
 * problem[role] the text for each ("" fine). still_on: an output answers, and is not
 * off, as not_off says. output[role]: ERR_NONE for a load or supply that is off. */
struct stand_health {
    bool ok, still_on;
    struct err not_off;
    enum err_code output[4];
    char problem[4][ERR_TEXT_SIZE];
};
bool stand_bring_up(struct stand_config *s, struct stand_health *health, struct err *e) NODISCARD;

/* Every output of the stand off and confirmed; tries all. Of several failures it reports one
 * that answers and is not off (ERR_INSTRUMENT) before one that is silent or gone. */
bool stand_make_safe(struct stand_config *s, int tries, struct err *e) NODISCARD;

/* What a stand's outputs do while it is read. */
enum stand_use { STAND_RESTS, STAND_DISCHARGES, STAND_CHARGES };

/* One reading of the whole stand: voltage from the voltage source, current
 * from the instrument in use, temperature from the thermometer. At rest both load
 * and supply are read: voltage and current are the load's, but where the supply lets
 * more through than it may read while off, and more than the load, that is the
 * current: what leaks through either is seen. Where a meter
 * is the voltage source, other_V is what the instrument in use reads at its own
 * terminals; otherwise NAN. A missing
 * thermometer value is NAN with *temperature_error filled, and is not a failure here. */
bool stand_read(struct stand_config *s, enum stand_use use, struct reading *out,
                struct err *temperature_error, struct err *e) NODISCARD;

/* What a reading at rest may show without anything leaking: of load and supply the larger. */
double stand_off_current(const struct stand_config *s);

/* Every load and supply is told to be off, no answer awaited: what can be done in
 * milliseconds. stand_make_safe() and stand_bring_up() begin with it. */
void stand_send_off(struct stand_config *s);
/* Only over the links that are open: opens none, which may take seconds. */
void stand_send_off_open(struct stand_config *s);

/* The virtual bench's time: a sped-up clock following its control socket, after
 * checking that every link of the bench is one that this virtual bench serves
 * (anything else is refused: a real instrument never sees time run fast). With
 * virtual_control "" returns a real clock. Also says the speed in *speed. The
 * bench keeps the connection: free the clock before the bench. */
struct clock;
bool bench_clock(struct bench *b, struct clock **out, double *speed, struct err *e) NODISCARD;

#endif
