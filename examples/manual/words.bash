
# Where a logger or a point is asked for, the program itself gives the words.
_stonechat_words() {
    local line="${COMP_LINE:0:COMP_POINT}" typed="" kind="" file="" quote="" cut word i
    # What is typed of the value so far: readline also ends words at "=", ":" and "@".
    for ((i = COMP_CWORD; i > 0; i--)); do
        typed="${COMP_WORDS[i]}$typed"
        [[ "$line" == *"$typed" ]] || break
        case "${COMP_WORDS[i - 1]}" in
@cases@
            *) continue ;;
        esac
        break
    done
    if [[ -z "$kind" ]]; then
        _stonechat "$@"
        return
    fi
    # Nothing else fits here, so no files are offered instead.
    compopt +o default +o bashdefault 2>/dev/null
    typed="${typed#=}"
    for ((i = 1; i < COMP_CWORD; i++)); do
        case "${COMP_WORDS[i]}" in
            -c | --config)
                [[ "${COMP_WORDS[i + 1]}" == "=" ]] && ((i++))
                file="${COMP_WORDS[i + 1]}"
                ;;
            -c*) file="${COMP_WORDS[i]#-c}" ;;
        esac
    done
    # As the shell would read it, but never evaluated.
    file="${file//[\\\"\']/}"
    [[ "$file" == "~/"* ]] && file="$HOME/${file:2}"
    case "$typed" in
        \"* | \'*)
            quote="${typed:0:1}"
            typed="${typed:1}"
            ;;
    esac
    cut="${typed%"$2"}"
    while IFS= read -r word; do
        [[ "${word//\\/}" == "${typed//\\/}"* ]] || continue
        case "$quote" in
            "") printf -v word %q "$word" ;;
            \')
                word="${word//\'/\'\\\'\'}"
                ;;
            *)
                # An interactive shell would take what follows "!" from its history.
                [[ "$word" == *"!"* ]] && continue
                word="${word//\\/\\\\}"
                word="${word//\"/\\\"}"
                word="${word//\$/\\\$}"
                word="${word//\`/\\\`}"
                ;;
        esac
        COMPREPLY+=("${word#"$cut"}")
    done < <(command stonechat complete-words "$kind" ${file:+-c "$file"} 2>/dev/null)
}

if [[ "${BASH_VERSINFO[0]}" -eq 4 && "${BASH_VERSINFO[1]}" -ge 4 || "${BASH_VERSINFO[0]}" -gt 4 ]]; then
    complete -F _stonechat_words -o nosort -o bashdefault -o default stonechat
else
    complete -F _stonechat_words -o bashdefault -o default stonechat
fi
