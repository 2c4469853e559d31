# SPDX-License-Identifier: GPL-3.0-or-later
# bash: completes the verbs, their options, and the labels, stands and profiles there are.

_ampledger_names() { # VERB KEY: the values of that key in its JSON document
    ampledger $1 --json 2>/dev/null | sed -n 's/^ *"'"$2"'": *"\(.*\)",\{0,1\}$/\1/p'
}

_ampledger() {
    local word=${COMP_WORDS[COMP_CWORD]} before=${COMP_WORDS[COMP_CWORD - 1]}
    local verb=${COMP_WORDS[1]} IFS=$'\n'
    COMPREPLY=()
    if [ "$COMP_CWORD" -eq 1 ] || [ "$before" = help ]; then
        COMPREPLY=($(compgen -W "$(ampledger help 2>/dev/null |
            sed -n '3,/^$/s/^  \([a-z][a-z-]*\) .*/\1/p'; echo help)" -- "$word"))
        return
    fi
    case $before in
        --battery) COMPREPLY=($(compgen -W "$(_ampledger_names 'battery list' label)" -- "$word")) ; return ;;
        --stand) COMPREPLY=($(compgen -W "$(_ampledger_names stands name)" -- "$word")) ; return ;;
        --socket | -o) COMPREPLY=($(compgen -f -- "$word")) ; return ;;
    esac
    if [[ $word == -* ]]; then
        COMPREPLY=($(compgen -W "$( (ampledger help "$verb"; ampledger help) 2>/dev/null |
            grep -oE -- '--[a-z][a-z-]*' | sort -u)" -- "$word"))
        return
    fi
    case $verb in
        start | plan) COMPREPLY=($(compgen -W "$(_ampledger_names profiles name)" -- "$word")) ;;
        queue | watch | confirm | stop | clear) COMPREPLY=($(compgen -W "$(_ampledger_names stands name)" -- "$word")) ;;
        token)
            case $before in
                token) COMPREPLY=($(compgen -W $'make\nlist\nwithdraw' -- "$word")) ;;
                withdraw) COMPREPLY=($(compgen -W "$(_ampledger_names token name)" -- "$word")) ;;
                --may) COMPREPLY=($(compgen -W $'read\nchange' -- "$word")) ;;
            esac
            ;;
        trend) COMPREPLY=($(compgen -W "$(_ampledger_names 'battery list' label)" -- "$word")) ;;
        *) COMPREPLY=($(compgen -f -- "$word")) ;;
    esac
}
complete -o filenames -F _ampledger ampledger
