/* SPDX-License-Identifier: GPL-3.0-or-later
 * cli/verbs: the table of verbs, and what each says about itself. */
#include "cli/analyse.h"
#include "cli/cli.h"

#include <string.h>

/* `analyse` reads its own options; what stood before the verb is passed on. */
static int verb_analyse(struct cli *c, int argc, char **argv)
{
    char json[] = "--json";
    char *with_json[64];
    if (!c->json || argc + 2 > (int)(sizeof with_json / sizeof with_json[0])) {
        return cli_analyse(argc, argv);
    }
    with_json[0] = argv[0];
    with_json[1] = json;
    memcpy(with_json + 2, argv + 1, (size_t)argc * sizeof *argv);
    return cli_analyse(argc + 1, with_json);
}

static const char stands_help[] =
    "Shows every stand: what it is doing, what it reads now, its instruments, and\n"
    "what is wrong.\n"
    "\n"
    "  ampledger stands\n"
    "  ampledger stands --json\n";

static const char ports_help[] =
    "Lists the serial ports and USB test instruments of this computer. Needs no daemon.\n"
    "\n"
    "  ampledger ports               names and USB details; opens nothing\n"
    "  ampledger ports --identify    also asks each port who is there\n"
    "  ampledger ports --propose     asks, and writes a bench file to begin with\n"
    "\n"
    "--identify sends the one question *IDN? at 115200 and then at 9600 baud, and\n"
    "nothing else. Do not use it while a port serves something that a line of text\n"
    "could disturb. Ports held by another program are left alone and said so.\n";

static const char battery_help[] =
    "The register of batteries. A label is what is written on the battery.\n"
    "\n"
    "  ampledger battery add launch-a --chemistry lfp --cells 4 --rated 125Ah\n"
    "  ampledger battery add launch-b --chemistry lfp --cells 4 --rated 125Ah \\\n"
    "      --rated-hours 12.5h --rated-cutoff 10V --current-max 50A \\\n"
    "      --temperature-max 55degC --lot spring --note \"electric launch B\"\n"
    "  ampledger battery list\n"
    "  ampledger battery show launch-a       its record and its runs\n"
    "  ampledger battery edit launch-a --rated 120Ah --rated-hours none\n"
    "  ampledger battery retire launch-a     out of service; its history stays\n"
    "\n"
    "add wants --chemistry (lfp, li-ion, lto, sodium-ion, lead-flooded, lead-agm,\n"
    "lead-gel, nimh, nicd) and --cells, the number in series. The rest is what the\n"
    "label or the data sheet says; what is left out stays unknown:\n"
    "  --rated 125Ah             rated capacity\n"
    "  --rated-hours 12.5h       the discharge time that this rating holds for\n"
    "  --rated-cutoff 10V        the end voltage it holds for; also 2.5V/cell\n"
    "  --current-max 50A         largest discharge current allowed; also 0.4C\n"
    "  --charge-current-max 25A  largest charge current allowed; also 0.2C\n"
    "  --temperature-max 55degC  the maker's limit\n"
    "  --lot NAME, --note TEXT   as you like\n"
    "\n"
    "edit corrects a wrong record: the same options, --label for another label, and\n"
    "none for what is to be unknown again. Runs made before keep the record as it\n"
    "was; a battery under test is left alone.\n";

static const char queue_help[] =
    "A row of batteries for a stand. After each run the stand asks for the next one\n"
    "and waits until a person says that it is connected; then it looks whether the\n"
    "voltage can be that battery's, and begins. Nothing begins by itself.\n"
    "\n"
    "  ampledger queue lamp-desk             what waits, and what became of the others\n"
    "  ampledger queue lamp-desk add small-cell lamp-7 lamp-8 lamp-9\n"
    "  ampledger queue lamp-desk add small-cell --lot spring\n"
    "  ampledger queue lamp-desk drop lamp-8 --reason \"leaks\"      or by its place\n"
    "  ampledger queue lamp-desk move lamp-9 1\n"
    "\n"
    "A trip latches the stand as always: clear it, then it asks for the next. After a\n"
    "run that was stopped or cut off the row stands still too: go on with confirm, or\n"
    "drop what is not wanted any more. The row outlives a restart.\n";

static const char lot_help[] =
    "Every battery of a lot with its newest verdict. A battery joins a lot by its\n"
    "record: battery add --lot NAME, battery edit LABEL --lot NAME.\n"
    "\n"
    "  ampledger lot                 the lots there are\n"
    "  ampledger lot spring\n"
    "\n"
    "Exit status with a name: 0 when every battery passed, else 1.\n";

static const char profiles_help[] =
    "Lists the tests there are. A profile with a mistake in it is shown with it.\n"
    "\n"
    "  ampledger profiles\n";

static const char plan_help[] =
    "Says what a test would do to a battery: hours, Ah, Wh, heat, every limit in\n"
    "force and whose it is, problems and warnings. Switches nothing on.\n"
    "\n"
    "  ampledger plan overnight-capacity-lfp --battery launch-a\n"
    "  ampledger plan overnight-capacity-lfp --battery launch-a --stand jetty\n"
    "\n"
    "With --stand the instruments there and the battery's present voltage are taken\n"
    "into account. Exit status 2 when there is a problem: such a plan does not start.\n";

static const char start_help[] =
    "Starts a test. The same checks as in the plan come first.\n"
    "\n"
    "  ampledger start overnight-capacity-lfp --battery launch-a --stand jetty\n"
    "  ampledger start overnight-capacity-lfp --battery launch-a --stand jetty --wait\n"
    "\n"
    "--wait stays until the run has ended and shows the result; exit status 0 when\n"
    "it completed with verdict pass or none, 1 when fail or undecided, 3 when it\n"
    "tripped, was stopped or aborted. Ctrl-C leaves the run going (status 130).\n";

static const char watch_help[] =
    "Shows the progress of runs until they end; exit status as for start --wait, of\n"
    "several the highest.\n"
    "\n"
    "  ampledger watch           every stand that is running\n"
    "  ampledger watch jetty\n"
    "  ampledger watch | tee night.txt\n"
    "\n"
    "On a terminal: a bar and the voltage so far as a curve, as large as the window\n"
    "allows. Elsewhere: a line now and then. Ctrl-C leaves the runs going (status 130).\n";

static const char confirm_help[] =
    "Says that what a stand asks for is done; stands and watch show what that is.\n"
    "During a run that is a hold, and it goes on. Between runs it is the next battery\n"
    "of the row (see: ampledger help queue): the stand reads its voltage for a second,\n"
    "refuses one that is the wrong way round or has another number of cells, and else\n"
    "begins.\n"
    "\n"
    "  ampledger confirm jetty\n"
    "  ampledger confirm jetty --anyway    in spite of a doubt that it told before\n";

static const char stop_help[] =
    "Ends the run at a stand: output off and confirmed, run marked stopped. What\n"
    "was recorded stays.\n"
    "\n"
    "  ampledger stop jetty\n";

static const char clear_help[] =
    "Clears a trip, after a person has looked at the battery and found why. Until\n"
    "then nothing starts at that stand. The instruments are made safe first.\n"
    "\n"
    "  ampledger clear jetty\n"
    "  ampledger clear jetty --accept-instruments\n"
    "\n"
    "Each stand knows its instruments by what they answered when they were first\n"
    "there, and refuses others: two cables may be swapped. When one was replaced for\n"
    "good, --accept-instruments says so.\n";

static const char runs_help[] = "Lists runs, newest first.\n"
                                "\n"
                                "  ampledger runs\n"
                                "  ampledger runs --battery launch-a\n"
                                "  ampledger runs --limit 0              all; else the last 100\n";

static const char show_help[] =
    "Shows a run: the verdict first, then conditions, steps, limits and events.\n"
    "\n"
    "  ampledger show last\n"
    "  ampledger show 12                 by number\n"
    "  ampledger show 0198f2c0           by the beginning of its id\n"
    "  ampledger show last --json        capacity_Ah, verdict, trip, steps, ...\n";

static const char recompute_help[] =
    "Computes a run's result once more from its samples and says whether it is the\n"
    "one that was stored when the run ended. Changes nothing.\n"
    "\n"
    "  ampledger recompute last\n"
    "  ampledger recompute 12 --json\n"
    "  ampledger recompute 12 --samples-sha256 d34f2c87...\n"
    "      are these the samples of a report or of a CSV file? Of a file it is what\n"
    "      `sha256sum FILE.csv` says, of a report the sum at its foot\n"
    "\n"
    "Exit status 1 when something comes out differently; what a newer version says\n"
    "besides does not count.\n";

static const char export_help[] =
    "Writes the samples of a run as CSV: t_s, voltage_V, current_A, temperature_C,\n"
    "utc, step. Current into the battery is positive. Numbers read back exactly.\n"
    "\n"
    "  ampledger export last -o launch-a.csv\n"
    "  ampledger export 12 | head\n"
    "  ampledger export 12 --whole -o run-12.json    all that is known of it, as JSON\n"
    "\n"
    "The file appears whole or not at all. What `ampledger analyse` reads.\n";

static const char rates_help[] =
    "How the run time depends on the current: the Peukert exponent from two or more\n"
    "discharges to the same cut-off, which regression gave it, and whether the\n"
    "discharges follow such a law at all.\n"
    "\n"
    "  ampledger rates launch-5A.csv launch-20A.csv --cutoff 10.8V\n"
    "  ampledger rates cell-*.csv --cutoff 3V --discharge-positive --load 25A\n"
    "      and how long it lasts at 25 A\n"
    "  ampledger rates --points 12A:24h,27A:10h,66A:3h\n"
    "      figures of a sheet\n"
    "\n"
    "  --regression SIDE   time-on-current (default) or current-on-time: which of the\n"
    "                      logarithms is fitted to the other\n"
    "\n"
    "An exponent below 1 is told and not taken for one.\n";

static const char runtime_help[] =
    "How long a battery runs what hangs on it, from its own measured discharge: its\n"
    "last one in the ledger, or recorded logs, for which no daemon is needed.\n"
    "\n"
    "  ampledger runtime evening.yaml                    battery: or logs: in it\n"
    "  ampledger runtime evening.yaml --battery launch-a\n"
    "  ampledger runtime evening.yaml launch-a-5A.csv launch-a-20A.csv\n"
    "\n"
    "  runtime: An evening on the lake\n"
    "  battery: launch-a        # or run: 12, or logs: [FILE.csv, ...]\n"
    "  cutoff: 11.5 V           # below it the radio gives up\n"
    "  reserve: 20 %            # of the charge, to be left\n"
    "  temperature: 12 degC     # in use; corrected only by a rule that is named\n"
    "  over: 6 h                # what hours are a part of; left out: 24 h\n"
    "  inverter: {efficiency: 88 %, idle: 5 W}\n"
    "  appliances:\n"
    "    - {name: lamp, power: 12 W}\n"
    "    - {name: bilge pump, current: 4 A, duty: 10 %}\n"
    "    - {name: radio, power: 8 W, hours: 2 h}\n"
    "    - {name: kettle plate, power: 150 W, hours: 20 min, through: inverter}\n"
    "\n"
    "Other keys: correction, resistance, lead_resistance and discharge_positive (of\n"
    "the logs), appliance_error (10 % when left out). Logs at two or more currents\n"
    "show what the rate does; with one it stays in the interval.\n";

static const char corrections_help[] =
    "The temperature corrections that `analyse --correction` and a profile's\n"
    "acceptance may name: formula, reference temperature, range, and where the\n"
    "constants are from. None is applied unless it is named, and never two.\n"
    "\n"
    "  ampledger corrections\n"
    "  ampledger corrections --json\n";

static const char report_help[] =
    "Writes a report as one HTML file that holds everything and opens anywhere: to look\n"
    "at, to print on two pages, to send to the seller.\n"
    "\n"
    "  ampledger report last -o launch-a.html\n"
    "  ampledger report --battery launch-a -o launch-a-life.html\n"
    "  ampledger report --lot spring -o spring.html\n"
    "  ampledger report last -o launch-a.pdf             on A4, or --paper letter\n"
    "\n"
    "A name that ends in .pdf, or --pdf, prints by a Chromium that is installed; without\n"
    "one print the HTML file from any browser.\n"
    "The file appears whole or not at all.\n";

static const char trend_help[] =
    "Shows how a battery ages: its comparable results, the law through them, and when\n"
    "it falls below 80 % of its rated capacity, with a 95 % interval.\n"
    "\n"
    "  ampledger trend launch-a\n"
    "  ampledger trend launch-a --below 70%   another limit than 80 %\n"
    "  ampledger trend launch-a --peaks      peaks of dQ/dV, discharge by discharge\n"
    "\n"
    "Comparable are discharges that began full and ended at their cut-off, of one rate,\n"
    "cut-off and temperature (within 5 K); the others are named with the reason. A law\n"
    "needs five of them: before that, not enough data is the answer.\n";

static const char match_help[] =
    "Makes sets of the batteries of a lot that go together: groups in series whose\n"
    "capacities and resistances are as alike as can be, compared with sorting.\n"
    "\n"
    "  ampledger match cells-2026-03 --series 4\n"
    "  ampledger match cells-2026-03 --series 7 --parallel 4\n"
    "  ampledger match cells-2026-03 --series 4 --sets 2     only two of them\n"
    "\n"
    "Each battery counts by its newest comparable result. The same lot gives the same\n"
    "sets each time.\n";

static const char import_help[] =
    "Makes a recorded log a run of a battery, so that older records join its history.\n"
    "It is marked as recorded elsewhere wherever it is shown, with the file's SHA-256.\n"
    "\n"
    "  ampledger import lamp-2024.csv --battery lamp-7 --started 2024-05-01T18:00:00Z \\\n"
    "      --cutoff 10V --starts-full\n"
    "  ampledger import lamp-2024.csv --battery lamp-7 --started 2024-05-01T18:00:00Z \\\n"
    "      --time Elapsed:min --voltage U --current I:mA --discharge-positive \\\n"
    "      --from 30min --to 9h --cutoff 2.5V/cell --accept \"80 %\"\n"
    "\n"
    "  --started TIME      of the first row that is taken, UTC; not where the times of the\n"
    "                      file are dates themselves: --time Clock:utc\n"
    "  --step KIND         discharge (default), charge, rest or pulse; --name TEXT\n"
    "  --time, --voltage, --current, --temperature COLUMN\n"
    "                      what the header calls them, and :UNIT if it is no SI unit\n"
    "  --from, --to TIME   only rows of this time, by the file's own\n"
    "  --starts-full       it was full and rested before: else it is in no trend\n"
    "  --set-current A     what was set, also 0.2C; left out: the mean under load\n"
    "  --lead-resistance R, --sense two-wire|remote-sense|meter, --voltage-accuracy,\n"
    "  --current-accuracy  as for analyse; the uncertainty goes by them\n"
    "  --accept LEAST, --decision RULE, --guard-share PART\n"
    "                      as for analyse; without --accept there is no verdict\n"
    "  --anyway            also where it told that the voltages or the time cannot be\n"
    "\n"
    "All or nothing: a bad row is told with its line, and nothing is changed. The same\n"
    "rows of a file are taken once for a battery.\n";

static const char backup_help[] =
    "Writes a whole and consistent copy of the database, also while runs go on, and has\n"
    "it checked. A file that is there already is left as it is.\n"
    "\n"
    "  ampledger backup ledger-2026-03-01.db\n"
    "\n"
    "To go back to it: stop ampledgerd, put the copy in the database's place, and take\n"
    "the -wal and -shm files beside it away.\n";

static const char token_help[] =
    "Who may use the page and the API over the network. A token is a secret made here; the\n"
    "daemon keeps only a sum of it, from which it cannot be told. By the Unix socket, as this\n"
    "command goes, and from this computer's own browsers none is needed, unless the bench\n"
    "file says otherwise; see ampledger-bench(5): http.\n"
    "\n"
    "  ampledger token                              which there are\n"
    "  ampledger token make wall-display            may look\n"
    "  ampledger token make phone --may change      may also start, stop and register\n"
    "  ampledger token withdraw wall-display        at once, also for pages that are open\n"
    "\n"
    "A token is shown once, when it is made.\n";

static const struct verb table[] = {
    {"analyse", "FILE.csv --cutoff 2.7V", "judge a recorded log", NULL, verb_analyse},
    {"rates", "LOG.csv ... --cutoff 10.8V", "run time against current", rates_help, verb_rates},
    {"runtime", "FILE.yaml [LOG.csv ...]", "hours with these appliances", runtime_help,
     verb_runtime},
    {"corrections", "", "temperature rules, sources", corrections_help, verb_corrections},
    {"ports", "[--identify] [--propose]", "serial ports here", ports_help, verb_ports},
    {"stands", "", "stands and readings", stands_help, verb_stands},
    {"battery", "add|list|show|edit|retire ...", "the battery register", battery_help,
     verb_battery},
    {"lot", "[NAME]", "results of a lot", lot_help, verb_lot},
    {"profiles", "", "the tests there are", profiles_help, verb_profiles},
    {"plan", "PROFILE --battery LABEL [--stand NAME]", "what would happen", plan_help, verb_plan},
    {"start", "PROFILE --battery LABEL --stand NAME", "start a run [--wait]", start_help,
     verb_start},
    {"queue", "STAND [add|drop|move ...]", "a row of batteries", queue_help, verb_queue},
    {"watch", "[STAND]", "live progress", watch_help, verb_watch},
    {"confirm", "STAND [--anyway]", "what it asks for is done", confirm_help, verb_confirm},
    {"stop", "STAND", "end a run", stop_help, verb_stop},
    {"clear", "STAND [--accept-instruments]", "clear a trip", clear_help, verb_clear},
    {"runs", "[--battery LABEL]", "what was recorded", runs_help, verb_runs},
    {"show", "RUN", "one run and its result", show_help, verb_show},
    {"recompute", "RUN", "result again from samples", recompute_help, verb_recompute},
    {"report", "RUN -o FILE.html", "to print or to send", report_help, verb_report},
    {"trend", "BATTERY [--below PART] [--peaks]", "how a battery ages", trend_help, verb_trend},
    {"match", "LOT --series S [--parallel P]", "batteries that go together", match_help,
     verb_match},
    {"export", "RUN [-o FILE.csv]", "samples as CSV", export_help, verb_export},
    {"import", "FILE.csv --battery LABEL ...", "a log as a run", import_help, verb_import},
    {"token", "[make NAME [--may change]]", "who may from elsewhere", token_help, verb_token},
    {"backup", "FILE", "a copy of the database", backup_help, verb_backup},
};

const struct verb *verb_table(size_t *n)
{
    *n = sizeof table / sizeof table[0];
    return table;
}

const struct verb *verb_find(const char *name)
{
    for (size_t i = 0; i < sizeof table / sizeof table[0]; i++) {
        if (strcmp(table[i].name, name) == 0) {
            return &table[i];
        }
    }
    return NULL;
}
