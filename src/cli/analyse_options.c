/* SPDX-License-Identifier: GPL-3.0-or-later
 * cli/analyse_options: arguments of `analyse`, each with its unit checked. */
#include "cli/analyse_options.h"

#include "analysis/correction_read.h"
#include "base/conductor.h"
#include "base/file.h"
#include "base/quantity.h"
#include "base/yaml.h"
#include "cli/accuracy.h"

#include <getopt.h>
#include <math.h>
#include <string.h>

const char analyse_help_text[] =
    "usage: ampledger analyse FILE.csv --cutoff VOLTAGE [OPTION]...\n"
    "\n"
    "What a recorded log says: charge, energy, uncertainty, verdict. The first line\n"
    "of the file names its columns: t_s, voltage_V, current_A and, if known,\n"
    "temperature_C. Current into the battery is positive.\n"
    "\n"
    "  ampledger analyse launch-3.csv --cutoff 10.8V\n"
    "      how much the battery gave until it met 10.8 V\n"
    "  ampledger analyse launch-3.csv --cutoff 10.8V --rated 90Ah --accept \"80 %\"\n"
    "      and whether that is at least 80 % of its rating (100 % unless said)\n"
    "  ampledger analyse lamp.csv --cutoff 2.7V --discharge-positive\n"
    "      a log that writes discharge as positive current\n"
    "  ampledger analyse lamp.csv --cutoff 2.7V --current-accuracy \"0.1 % + 5 mA\" \\\n"
    "      --voltage-accuracy \"0.05 % + 10 mV\" --time-accuracy \"50 ppm\"\n"
    "      the limits of error of the instruments enter the uncertainty\n"
    "  ampledger analyse launch-3.csv --cutoff 10.8V --lead-resistance 10mOhm\n"
    "      voltage was read at the load, over leads of 10 mOhm out and back\n"
    "  ampledger analyse night.csv --end-rule whole --json\n"
    "      every row counts; one JSON document for a script\n"
    "\n"
    "  --end-rule RULE   crossing: to the interpolated moment the cut-off is met\n"
    "                    under load (default); first-below: to the first row below\n"
    "                    it; whole: every row, no cut-off needed\n"
    "  --accept LEAST    a share of the rating or a charge, e.g. \"95 %\" or 80Ah\n"
    "  --decision RULE   guard-band: pass and fail must be clear of the uncertainty\n"
    "                    (default); guard-share: of a part of it, see next; simple:\n"
    "                    the value alone is compared\n"
    "  --guard-share PART  of the uncertainty that guards, e.g. \"50 %\"\n"
    "  --gap TIME        a longer interval is a gap (default: ten times the usual\n"
    "                    interval, at least 30 s)\n"
    "  --net-of-rest     take the mean current read at rest off, as the zero error of\n"
    "                    the meter\n"
    "  --leads CABLE     instead of --lead-resistance: copper at 20 degC by the whole\n"
    "                    length out and back, e.g. \"2 m of 4 mm2\", \"2 m of solid\n"
    "                    2.5 mm2\", \"2 m of 12 AWG\"\n"
    "  --lead-accuracy R limit of error of --lead-resistance (default: a tenth of it)\n"
    "  --current-resolution A, --voltage-resolution V\n"
    "                    one step of the reading\n"
    "  --at-voltage V    also tell the ampere-hours delivered and remaining when the\n"
    "                    voltage fell to V; up to 8 times\n"
    "  --charge-voltage V  of the whole battery: tells the power a charge pulse could\n"
    "                    have\n"
    "  --starts-full     the battery was full when the record began: pulses are told\n"
    "                    with the state of charge\n"
    "  --rest-current A  at or below it the battery rests (default: 2 % of the\n"
    "                    largest current)\n"
    "  --correction RULE to a reference temperature; none unless named. `ampledger\n"
    "                    corrections` lists the rules, their references and sources.\n"
    "                    One that is unverified, from memory, decides no verdict\n"
    "  --temperature T   for it, where the log has none or another one\n"
    "  --thermometer T   its limit of error, e.g. 1degC\n"
    "  --per-kelvin PART, --reference T\n"
    "                    for stated-linear, e.g. \"0.6 %\" and 20degC\n"
    "  --rated-time TIME the rating is meant for, e.g. 8h; for rules that go by rate\n"
    "  --published-current A, --published-time TIME\n"
    "                    for rate-adjusted and time-adjusted, if not as rated\n"
    "\n"
    "Exit status: 0 pass, or nothing to judge; 1 fail or undecided; 2 usage or bad\n"
    "file.\n";

enum option_id {
    OPTION_CUTOFF = 256,
    OPTION_RATED,
    OPTION_DISCHARGE_POSITIVE,
    OPTION_END_RULE,
    OPTION_LEAD_RESISTANCE,
    OPTION_LEADS,
    OPTION_ACCEPT,
    OPTION_DECISION,
    OPTION_CURRENT_ACCURACY,
    OPTION_VOLTAGE_ACCURACY,
    OPTION_TIME_ACCURACY,
    OPTION_GAP,
    OPTION_REST_CURRENT,
    OPTION_GUARD_SHARE,
    OPTION_NET_OF_REST,
    OPTION_LEAD_ACCURACY,
    OPTION_CURRENT_RESOLUTION,
    OPTION_VOLTAGE_RESOLUTION,
    OPTION_AT_VOLTAGE,
    OPTION_CHARGE_VOLTAGE,
    OPTION_STARTS_FULL,
    OPTION_CORRECTION,
    OPTION_TEMPERATURE,
    OPTION_THERMOMETER,
    OPTION_PER_KELVIN,
    OPTION_REFERENCE,
    OPTION_RATED_TIME,
    OPTION_PUBLISHED_CURRENT,
    OPTION_PUBLISHED_TIME,
    OPTION_JSON,
    OPTION_HELP
};

static const struct option options[] = {
    {"cutoff", required_argument, NULL, OPTION_CUTOFF},
    {"rated", required_argument, NULL, OPTION_RATED},
    {"discharge-positive", no_argument, NULL, OPTION_DISCHARGE_POSITIVE},
    {"end-rule", required_argument, NULL, OPTION_END_RULE},
    {"lead-resistance", required_argument, NULL, OPTION_LEAD_RESISTANCE},
    {"leads", required_argument, NULL, OPTION_LEADS},
    {"accept", required_argument, NULL, OPTION_ACCEPT},
    {"decision", required_argument, NULL, OPTION_DECISION},
    {"current-accuracy", required_argument, NULL, OPTION_CURRENT_ACCURACY},
    {"voltage-accuracy", required_argument, NULL, OPTION_VOLTAGE_ACCURACY},
    {"time-accuracy", required_argument, NULL, OPTION_TIME_ACCURACY},
    {"gap", required_argument, NULL, OPTION_GAP},
    {"rest-current", required_argument, NULL, OPTION_REST_CURRENT},
    {"guard-share", required_argument, NULL, OPTION_GUARD_SHARE},
    {"net-of-rest", no_argument, NULL, OPTION_NET_OF_REST},
    {"lead-accuracy", required_argument, NULL, OPTION_LEAD_ACCURACY},
    {"current-resolution", required_argument, NULL, OPTION_CURRENT_RESOLUTION},
    {"voltage-resolution", required_argument, NULL, OPTION_VOLTAGE_RESOLUTION},
    {"at-voltage", required_argument, NULL, OPTION_AT_VOLTAGE},
    {"charge-voltage", required_argument, NULL, OPTION_CHARGE_VOLTAGE},
    {"starts-full", no_argument, NULL, OPTION_STARTS_FULL},
    {"correction", required_argument, NULL, OPTION_CORRECTION},
    {"temperature", required_argument, NULL, OPTION_TEMPERATURE},
    {"thermometer", required_argument, NULL, OPTION_THERMOMETER},
    {"per-kelvin", required_argument, NULL, OPTION_PER_KELVIN},
    {"reference", required_argument, NULL, OPTION_REFERENCE},
    {"rated-time", required_argument, NULL, OPTION_RATED_TIME},
    {"published-current", required_argument, NULL, OPTION_PUBLISHED_CURRENT},
    {"published-time", required_argument, NULL, OPTION_PUBLISHED_TIME},
    {"json", no_argument, NULL, OPTION_JSON},
    {"help", no_argument, NULL, OPTION_HELP},
    {NULL, 0, NULL, 0},
};
#define OPTION_COUNT (sizeof options / sizeof options[0] - 1)

#define TRY_HELP "; `ampledger analyse --help` shows examples"

/* What is gathered before it can be put together. */
struct parsing {
    struct analyse_request *out;
    struct quantity accept; /* value NAN: not given */
    bool rule_given, share_given;
};

static const char *option_name(int id)
{
    for (size_t i = 0; i < OPTION_COUNT; i++)
        if (options[i].val == id)
            return options[i].name;
    return "?";
}

/* A quantity of one dimension that must be positive (or zero, if allowed). */
static bool read_value(int id, enum dimension dimension, bool zero_allowed, double *out,
                       struct err *e)
{
    struct quantity q;
    if (!quantity_parse_as(optarg, DIM_BIT(dimension), &q, e))
        return err_prefix(e, "--%s", option_name(id));
    if (!(q.value > 0) && !(zero_allowed && q.value >= 0))
        return err_set(e, ERR_CONFIG, "--%s: \"%s\" must be above zero", option_name(id), optarg);
    *out = q.value;
    return true;
}

static bool read_word(int id, const char *const *words, size_t *index, struct err *e)
{
    char list[64] = "";
    for (size_t i = 0; words[i] != NULL; i++) {
        if (strcmp(words[i], optarg) == 0) {
            *index = i;
            return true;
        }
        size_t n = strlen(list);
        if (!text_format(list + n, sizeof list - n, "%s%s", i == 0 ? "" : ", ", words[i]))
            break;
    }
    return err_set(e, ERR_CONFIG, "--%s: \"%s\" is not known; choose one of %s", option_name(id),
                   optarg, list);
}

static bool read_accuracy(int id, enum dimension unit, struct accuracy *a, struct err *e)
{
    return accuracy_read(optarg, unit, a, e) || err_prefix(e, "--%s", option_name(id));
}

static bool read_leads(double *ohm, struct err *e)
{
    struct conductor leads;
    if (!conductor_parse(optarg, &leads, e))
        return err_prefix(e, "--leads");
    *ohm = conductor_ohm(&leads, CONDUCTOR_AT_C);
    return true;
}

static bool read_accept(struct parsing *p, struct err *e)
{
    if (!quantity_parse_as(optarg, DIM_BIT(DIM_RATIO) | DIM_BIT(DIM_CHARGE), &p->accept, e))
        return err_prefix(e, "--accept");
    if (!(p->accept.value > 0))
        return err_set(e, ERR_CONFIG, "--accept: \"%s\" must be above zero", optarg);
    return true;
}

static bool read_at_voltage(struct voltages_asked *v, struct err *e)
{
    if (v->count == VOLTAGES_ASKED_MAX)
        return err_set(e, ERR_CONFIG, "--at-voltage: at most %d of them", VOLTAGES_ASKED_MAX);
    return read_value(OPTION_AT_VOLTAGE, DIM_VOLTAGE, false, &v->V[v->count++], e);
}

/* Says the rule as well. */
static bool read_guard_share(struct parsing *p, struct err *e)
{
    struct acceptance *a = &p->out->acceptance;
    if (!read_value(OPTION_GUARD_SHARE, DIM_RATIO, false, &a->guard_share, e))
        return false;
    if (a->guard_share > 1)
        return err_set(e, ERR_CONFIG,
                       "--guard-share: \"%s\" is more than the uncertainty itself; at most 100 %%",
                       optarg);
    p->share_given = true;
    return true;
}

/* The share and the rule it belongs to, whichever was written first. */
static bool settle_rule(const struct parsing *p, struct err *e)
{
    struct acceptance *a = &p->out->acceptance;
    if (p->share_given && p->rule_given && a->rule != DECISION_GUARD_SHARE)
        return err_set(e, ERR_CONFIG,
                       "analyse: --guard-share belongs to --decision guard-share, not to %s",
                       decision_rule_names[a->rule]);
    if (!p->share_given && a->rule == DECISION_GUARD_SHARE)
        return err_set(e, ERR_CONFIG,
                       "analyse: --decision guard-share needs --guard-share, e.g. "
                       "--guard-share \"50 %%\"");
    if (p->share_given)
        a->rule = DECISION_GUARD_SHARE;
    return true;
}

static bool take_word_option(struct parsing *p, int id, struct err *e)
{
    size_t index;
    if (id == OPTION_END_RULE) {
        if (!read_word(id, end_rule_names, &index, e))
            return false;
        p->out->options.rule = (enum end_rule)index;
        return true;
    }
    if (!read_word(id, decision_rule_names, &index, e))
        return false;
    p->out->acceptance.rule = (enum decision_rule)index;
    p->rule_given = true;
    return true;
}

/* Any temperature; a difference for the thermometer. */
static bool read_degrees(int id, double *out, struct err *e)
{
    struct quantity q;
    if (!quantity_parse_as(optarg, DIM_BIT(DIM_TEMPERATURE), &q, e))
        return err_prefix(e, "--%s", option_name(id));
    *out = q.value;
    return true;
}

static bool take_correction_option(struct correction_choice *c, int id, struct err *e)
{
    struct quantity q;
    switch (id) {
    case OPTION_TEMPERATURE:
        return read_degrees(id, &c->temperature_C, e);
    case OPTION_THERMOMETER:
        return read_degrees(id, &c->temperature_error_C, e);
    case OPTION_REFERENCE:
        return read_degrees(id, &c->reference_C, e);
    case OPTION_PUBLISHED_CURRENT:
        return read_value(id, DIM_CURRENT, false, &c->published_A, e);
    case OPTION_PUBLISHED_TIME:
        return read_value(id, DIM_TIME, false, &c->published_s, e);
    case OPTION_RATED_TIME:
        if (!read_value(id, DIM_TIME, false, &c->rated_hours, e))
            return false;
        c->rated_hours /= S_PER_H;
        return true;
    case OPTION_PER_KELVIN:
        if (!quantity_parse_as(optarg, DIM_BIT(DIM_RATIO), &q, e))
            return err_prefix(e, "--%s", option_name(id));
        c->coefficient_per_K = q.value;
        return true;
    default:
        return correction_parse(optarg, &c->rule, e) || err_prefix(e, "--correction");
    }
}

static bool take_option(struct parsing *p, int id, struct err *e)
{
    struct discharge_options *o = &p->out->options;
    switch (id) {
    case OPTION_CUTOFF:
        return read_value(id, DIM_VOLTAGE, false, &o->cutoff_V, e);
    case OPTION_RATED:
        return read_value(id, DIM_CHARGE, false, &o->rated_Ah, e);
    case OPTION_LEAD_RESISTANCE:
        return read_value(id, DIM_RESISTANCE, true, &o->lead_ohm, e);
    case OPTION_LEADS:
        return read_leads(&o->lead_ohm, e);
    case OPTION_GAP:
        return read_value(id, DIM_TIME, false, &o->gap_s, e);
    case OPTION_REST_CURRENT:
        return read_value(id, DIM_CURRENT, true, &o->current_threshold_A, e);
    case OPTION_TIME_ACCURACY:
        return read_value(id, DIM_RATIO, true, &o->accuracy.time_gain, e);
    case OPTION_CURRENT_ACCURACY:
        return read_accuracy(id, DIM_CURRENT, &o->accuracy.current, e);
    case OPTION_VOLTAGE_ACCURACY:
        return read_accuracy(id, DIM_VOLTAGE, &o->accuracy.voltage, e);
    case OPTION_LEAD_ACCURACY:
        return read_value(id, DIM_RESISTANCE, true, &o->lead_error_ohm, e);
    case OPTION_CURRENT_RESOLUTION:
        return read_value(id, DIM_CURRENT, true, &o->accuracy.current.resolution, e);
    case OPTION_VOLTAGE_RESOLUTION:
        return read_value(id, DIM_VOLTAGE, true, &o->accuracy.voltage.resolution, e);
    case OPTION_AT_VOLTAGE:
        return read_at_voltage(&o->voltages, e);
    case OPTION_CHARGE_VOLTAGE:
        return read_value(id, DIM_VOLTAGE, false, &p->out->charge_voltage_V, e);
    case OPTION_STARTS_FULL:
        p->out->starts_full = true;
        return true;
    case OPTION_NET_OF_REST:
        o->net_of_rest = true;
        return true;
    case OPTION_GUARD_SHARE:
        return read_guard_share(p, e);
    case OPTION_ACCEPT:
        return read_accept(p, e);
    case OPTION_END_RULE:
    case OPTION_DECISION:
        return take_word_option(p, id, e);
    case OPTION_DISCHARGE_POSITIVE:
        p->out->discharge_positive = true;
        return true;
    case OPTION_CORRECTION:
    case OPTION_TEMPERATURE:
    case OPTION_THERMOMETER:
    case OPTION_PER_KELVIN:
    case OPTION_REFERENCE:
    case OPTION_RATED_TIME:
    case OPTION_PUBLISHED_CURRENT:
    case OPTION_PUBLISHED_TIME:
        return take_correction_option(&p->out->acceptance.correction, id, e);
    case OPTION_JSON:
        p->out->json = true;
        return true;
    default:
        p->out->help = true;
        return true;
    }
}

static bool fail_unknown(const char *argument, struct err *e)
{
    const char *names[OPTION_COUNT + 1] = {NULL};
    char word[64];
    for (size_t i = 0; i < OPTION_COUNT; i++)
        names[i] = options[i].name;
    const char *start = argument + strspn(argument, "-");
    if (!text_format(word, sizeof word, "%.*s", (int)strcspn(start, "="), start))
        return err_set(e, ERR_CONFIG, "analyse: an unknown option%s", TRY_HELP);
    const char *near = nearest_word(word, names);
    if (near != NULL)
        return err_set(e, ERR_CONFIG, "analyse: unknown option %.60s; is --%s meant?", argument,
                       near);
    return err_set(e, ERR_CONFIG, "analyse: unknown option %.60s%s", argument, TRY_HELP);
}

static bool parse_options(int argc, char **argv, struct parsing *p, struct err *e)
{
    optind = 0; /* start afresh: other verbs may have used getopt before */
    opterr = 0;
    for (;;) {
        int id = getopt_long(argc, argv, ":h", options, NULL);
        if (id == -1)
            return true;
        if (id == ':')
            return err_set(e, ERR_CONFIG, "analyse: %s needs a value%s", argv[optind - 1],
                           TRY_HELP);
        if (id == '?')
            return fail_unknown(argv[optind - 1], e);
        if (!take_option(p, id, e))
            return false;
    }
}

static bool take_file(int argc, char **argv, struct analyse_request *out, struct err *e)
{
    if (optind >= argc)
        return err_set(e, ERR_CONFIG, "analyse: no file named%s", TRY_HELP);
    if (optind + 1 < argc)
        return err_set(e, ERR_CONFIG, "analyse: one file at a time, but %s follows %s",
                       argv[optind + 1], argv[optind]);
    out->file = argv[optind];
    return true;
}

static bool settle_acceptance(const struct parsing *p, struct err *e)
{
    struct analyse_request *r = p->out;
    if (isnan(p->accept.value))
        r->acceptance.limit_Ah = r->options.rated_Ah;
    else if (p->accept.dimension == DIM_CHARGE)
        r->acceptance.limit_Ah = p->accept.value;
    else if (isnan(r->options.rated_Ah))
        return err_set(e, ERR_CONFIG,
                       "analyse: --accept as a share needs --rated, the charge it is a share of, "
                       "e.g. --rated 90Ah");
    else
        r->acceptance.limit_Ah = p->accept.value * r->options.rated_Ah;
    return true;
}

static bool settle_correction(const struct parsing *p, struct err *e)
{
    struct correction_choice *c = &p->out->acceptance.correction;
    bool stated = !isnan(c->coefficient_per_K) && !isnan(c->reference_C);
    c->rated_Ah = p->out->options.rated_Ah;
    if (c->rule == CORRECTION_NONE && (!isnan(c->temperature_C) || !isnan(c->reference_C)))
        return err_set(e, ERR_CONFIG,
                       "analyse: a temperature changes nothing without --correction RULE; "
                       "`ampledger corrections` lists them");
    if (c->rule == CORRECTION_STATED_LINEAR && !stated)
        return err_set(e, ERR_CONFIG,
                       "analyse: --correction stated-linear needs --per-kelvin and --reference, "
                       "e.g. --per-kelvin \"0.6 %%\" --reference 20degC");
    return true;
}

bool analyse_request_parse(int argc, char **argv, struct analyse_request *out, struct err *e)
{
    struct parsing p = {.out = out, .accept = {.value = NAN}};
    *out = (struct analyse_request){
        .options = discharge_options_default(),
        .charge_voltage_V = NAN,
        .acceptance = {.limit_Ah = NAN, .correction = correction_choice_none()}};
    if (!parse_options(argc, argv, &p, e))
        return false;
    if (out->help)
        return true;
    if (!take_file(argc, argv, out, e))
        return false;
    if (isnan(out->options.cutoff_V) && out->options.rule != END_WHOLE)
        return err_set(e, ERR_CONFIG,
                       "analyse: where does the discharge end? Give --cutoff, e.g. --cutoff 2.7V, "
                       "or take every row with --end-rule whole");
    return settle_rule(&p, e) && settle_acceptance(&p, e) && settle_correction(&p, e);
}
