# Where a logger or a point is asked for, the program itself gives the words.
_stonechat_words() {
    local kind=${@[-1]} file= word
    local -a options typed found
    options=("${(@)@[1,-2]}")
    # The whole line: a subcommand's `words` lack what is typed before it.
    typed=("${(@z)LBUFFER}")
    integer i
    for ((i = 1; i < $#typed; i++)); do
        word=${typed[i]}
        case $word in
            (\;|\||\|\||\&|\&\&) file= ;;
            (-c|--config) file=${typed[i + 1]} ;;
            (--config=*) file=${word#--config=} ;;
            (-c*) file=${word#-c} ;;
        esac
    done
    # As the shell would read it, but never evaluated.
    file=${(Q)file}
    [[ $file == '~/'* ]] && file=$HOME/${file#'~/'}
    found=("${(@f)$(command stonechat complete-words $kind ${file:+-c} ${file:+"$file"} 2>/dev/null)}")
    found=("${(@)found:#}")
    (( $#found )) && compadd "${(@)options}" -a found
}

