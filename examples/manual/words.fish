
# Where a logger or a point is asked for, the program itself gives the words.
function __stonechat_words
    set -l file
    set -l typed (commandline -opc)
    for i in (seq (count $typed))
        switch $typed[$i]
            case -c --config
                set file $typed[(math $i + 1)]
            case '--config=*'
                set file (string replace -- --config= '' $typed[$i])
            case '-c*'
                set file (string replace -r -- '^-c' '' $typed[$i])
        end
    end
    if set -q file[1]
        set file (string replace -r -- '^~/' "$HOME/" $file[1])
        command stonechat complete-words $argv[1] -c $file 2>/dev/null
    else
        command stonechat complete-words $argv[1] 2>/dev/null
    end
end
