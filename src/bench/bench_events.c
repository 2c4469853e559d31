/* SPDX-License-Identifier: GPL-3.0-or-later
 * bench/bench_events: reads `events` of bench.yaml: who is told what. */
#include "bench/bench_load.h"

#include "base/file.h"

#include <string.h>

static const char *const event_keys[] = {"command", "post", "on", NULL};

static bool read_words(const struct bench_loading *l, const struct yaml_node *list, char **words,
                       struct err *e)
{
    for (size_t i = 0; i < yaml_count(list); i++) {
        const struct yaml_node *item = yaml_item(list, i);
        char path[PATH_SIZE];
        struct err why;
        if (yaml_node_kind(item) != YAML_TEXT || (i == 0 && yaml_text(item)[0] == '\0')) {
            return yaml_fail(l->doc, item, e,
                             "each item of \"command\" is one word, the first a program");
        }
        if (i == 0 && !path_beside(l->b->path, yaml_text(item), path, sizeof path, &why)) {
            return yaml_fail(l->doc, item, e, "command: %s", why.text);
        }
        words[i] = text_copy(i == 0 ? path : yaml_text(item));
    }
    return true;
}

static bool read_command(const struct bench_loading *l, const struct yaml_node *map, struct err *e)
{
    const struct yaml_node *list = yaml_get(map, "command");
    if (list == NULL) {
        return true;
    }
    if (yaml_node_kind(list) != YAML_LIST || yaml_count(list) == 0 ||
        yaml_count(list) > HOOK_WORDS_MAX) {
        return yaml_fail(l->doc, list, e,
                         "\"command\" is a list of a program and its arguments, at most %d words, "
                         "no shell: [\"/usr/local/bin/tell-me\", \"--short\"]",
                         HOOK_WORDS_MAX);
    }
    l->b->events.command = zalloc((yaml_count(list) + 1) * sizeof(char *));
    return read_words(l, list, l->b->events.command, e);
}

static bool read_post(const struct bench_loading *l, const struct yaml_node *map, struct err *e)
{
    struct hooks_config *c = &l->b->events;
    struct err why;
    if (!yaml_read_text(l->doc, map, "post", false, c->post, sizeof c->post, e)) {
        return false;
    }
    if (yaml_get(map, "post") != NULL && !hooks_check_url(c->post, &why)) {
        return yaml_fail(l->doc, yaml_get(map, "post"), e, "post: %s", why.text);
    }
    return true;
}

static bool read_kind(const struct bench_loading *l, const struct yaml_node *item, struct err *e)
{
    enum hook_kind kind;
    const char *word = yaml_text(item);
    if (!hook_kind_parse(word, &kind)) {
        const char *near = nearest_word(word, hook_kind_names);
        return yaml_fail(l->doc, item, e,
                         "\"%s\" is no event; %s%s%sthere are start, hold, end, trip and alarm",
                         word, near != NULL ? "did you mean \"" : "", near != NULL ? near : "",
                         near != NULL ? "\"? " : "");
    }
    if (l->b->events.on[kind]) {
        return yaml_fail(l->doc, item, e, "\"%s\" stands here twice", word);
    }
    l->b->events.on[kind] = true;
    return true;
}

static bool read_on(const struct bench_loading *l, const struct yaml_node *map, struct err *e)
{
    const struct yaml_node *list = yaml_get(map, "on");
    if (list == NULL) {
        for (int kind = 0; kind < HOOK_KINDS; kind++) {
            l->b->events.on[kind] = true;
        }
        return true;
    }
    if (yaml_node_kind(list) != YAML_LIST || yaml_count(list) == 0) {
        return yaml_fail(l->doc, list, e, "\"on\" is a list of events: [trip, alarm, end]");
    }
    for (size_t i = 0; i < yaml_count(list); i++) {
        if (!read_kind(l, yaml_item(list, i), e)) {
            return false;
        }
    }
    return true;
}

bool bench_read_events(const struct bench_loading *l, struct err *e)
{
    const struct yaml_node *map = yaml_get(yaml_root(l->doc), "events");
    if (map == NULL) {
        return true;
    }
    if (!yaml_check_keys(l->doc, map, event_keys, e)) {
        return false;
    }
    if (yaml_get(map, "command") == NULL && yaml_get(map, "post") == NULL) {
        return yaml_fail(l->doc, map, e,
                         "\"events\" needs a \"command\", a URL to \"post\" to, or both");
    }
    return read_command(l, map, e) && read_post(l, map, e) && read_on(l, map, e);
}
