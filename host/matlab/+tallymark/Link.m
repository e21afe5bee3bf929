classdef Link < handle
%LINK  Requests and answers: tags, window, history, what is overdue (PROTOCOL.md, 3).
%   There is no other thread: answers wait in the system until COLLECT takes them in.
    properties (SetAccess = private)
        identity = []       % of the box, as in PROTOCOL.md 4.2; empty until it is known
        decoder            % counts good and broken frames
        born                % TIC of the opening: all seconds count from it
        open_count = 0      % requests without an outcome
        failed = {}         % markers refused or unconfirmed since the last take_failed
        sequence_ended = [] % last notice of that name since forget_end
        is_open = true
    end
    properties (Constant)
        OVERDUE_S = 0.5     % an answer is overdue after that (PROTOCOL.md, 3.3)
        QUIET_S = 1.6       % no byte for an old boot loader to wait on, after a lost question
        IDENTIFY_S = 6      % some boards restart when their port is opened
        FATE_TRIES = 3      % a question may get lost too; asking again moves no line
    end
    properties (Access = private)
        port
        tag = 0             % last tag used
        oldest = 0          % oldest tag without an outcome; 0: there is none
        number = 0          % of the last marker
        entries = cell(1, 255)   % by tag, while there is no outcome: the marker, or the name of
                                 % a request that is none; otherwise empty
        bytes = zeros(1, 255)    % by tag: what it takes of the window
        due_s = Inf(1, 255)      % by tag: when its answer is overdue
        query = 0           % tag of the one question on its way; 0: there is none
        answer = []         % to the last question; empty: none came
        asked = 0           % tag whose fate the question is about; 0: it's another question
        tries = 0           % how often that fate was asked for in vain
        version_refused = NaN
        started = false     % the box said that it has started ...
        forgotten = ''      % ... and these markers were open, in words
    end

    methods
        function link = Link(port)
            link.born = tic;
            link.port = port;
            link.decoder = tallymark.Decoder();
            link.tag = mod(floor(now * 86400e3), 255);  % no answer to an earlier program fits
            link.identify();
            link.tag = link.identity.last_tag;
        end

        function seconds = now_s(link)
            seconds = toc(link.born);
        end

        function marker = mark(link, request, type, body, code, width_us)
            %MARK  Hands a marker request to the port, once and for all, and returns its marker.
            held_back_s = 0;
            if (link.open_count > 0 || ~link.is_open) && ~link.has_room(numel(body) + 6, true)
                held_back_s = link.wait_for_room(numel(body) + 6);
            end
            tag = mod(link.tag, 255) + 1;
            wire = tallymark.frame(type, tag, body);
            sent_s = toc(link.born);
            problem = [];
            try
                link.port.write(wire);
            catch problem
                % told below, when the marker can be named
            end
            link.number = link.number + 1;
            marker = tallymark.Marker(link.number, request, code, width_us, tag, sent_s, ...
                held_back_s);
            link.enter(tag, marker, numel(wire), sent_s);
            if ~isempty(problem)
                link.lose(problem);
            end
            if link.open_count >= 8  % take answers in before they are many, but after sending
                link.collect();
            end
        end

        function values = ask(link, name, values)
            %ASK  Sends a request that is no marker, waits for its answer, returns its fields.
            found = tallymark.layouts('request', name);
            body = tallymark.put_fields(found.fields, values);
            link.check_open();
            while link.query ~= 0 || ~link.has_room(numel(body) + 6, false)
                link.collect_or_pause();
            end
            link.answer = [];
            link.asked = 0;
            link.query = link.send(name, found.type, body);
            tag = link.query;
            while link.query == tag
                link.collect_or_pause();
            end
            if isempty(link.answer)
                error('tallymark:noanswer', ['The box did not answer ''%s'' within half a ' ...
                    'second, or started again meanwhile. No marker is affected. Try again; ' ...
                    'if it stays so, check the cable, and open the box again.'], name);
            elseif isfield(link.answer, 'reason')
                error('tallymark:refused', 'The box refused ''%s''. %s', name, ...
                    tallymark.reasons(link.answer.reason, link.answer.detail));
            end
            values = link.answer;
        end

        function found = collect(link)
            %COLLECT  Takes in what has come and looks after what is overdue. Never waits, unless
            %   the box has started again. found: whether anything came.
            link.check_open();
            found = link.receive();
            if link.started
                link.begin_again();
            end
            if link.open_count > 0
                late = find(link.due_s < toc(link.born));
                for tag = [late(late >= link.oldest), late(late < link.oldest)]
                    link.look_after(tag);
                end
            end
        end

        function collect_or_pause(link)
            %COLLECT_OR_PAUSE  As COLLECT, for loops that wait.
            if ~link.collect()
                pause(0.0005);
            end
        end

        function forget_end(link)
            %FORGET_END  A sequence is about to start.
            link.sequence_ended = [];
        end

        function markers = take_failed(link)
            %TAKE_FAILED  Markers refused or unconfirmed since the last call, as a cell row.
            markers = link.failed;
            link.failed = {};
        end

        function close(link)
            %CLOSE  Gives the port back; open markers become unconfirmed. May be called twice.
            if link.is_open
                link.is_open = false;
                link.port.close();
                left = link.give_up('The box was closed before its answer came.');
                if ~isempty(left)
                    warning('tallymark:unconfirmed', ['Closed %s before these answers came: ' ...
                        '%s. It is not known whether these markers went out. Look for them in the ' ...
                        'recording.'], link.port.where, left);
                end
            end
        end

        function check_open(link)
            if ~link.is_open
                error('tallymark:closed', ['The connection to %s is closed. Nothing was sent. ' ...
                    'Open the box again.'], link.port.where);
            end
        end
    end

    methods (Access = private)
        function room = has_room(link, bytes, is_marker)
            % Questions may use all that the window and the history allow; markers leave some
            % tags for the questions about them.
            room = link.is_open;
            if room && link.open_count > 0
                span = link.identity.history - 2;
                if is_marker
                    span = max(0, floor(0.75 * link.identity.history) - 2);
                end
                room = sum(link.bytes) + bytes <= link.identity.window ...
                    && mod(mod(link.tag, 255) + 1 - link.oldest, 255) <= span;
            end
        end

        function seconds = wait_for_room(link, bytes)
            % For a marker. Raises an error if the link is closed.
            from_s = toc(link.born);
            link.check_open();
            while ~link.has_room(bytes, true)
                link.collect_or_pause();
            end
            seconds = toc(link.born) - from_s;
        end

        function tag = send(link, name, type, body)
            % Sends a request that is no marker.
            tag = mod(link.tag, 255) + 1;
            wire = tallymark.frame(type, tag, body);
            link.enter(tag, name, numel(wire), toc(link.born));
            link.put(wire);
        end

        function put(link, wire)
            try
                link.port.write(wire);
            catch problem
                link.lose(problem);
            end
        end

        function enter(link, tag, entry, bytes, sent_s)
            link.tag = tag;
            link.entries{tag} = entry;
            link.bytes(tag) = bytes;
            link.due_s(tag) = sent_s + link.OVERDUE_S;
            link.open_count = link.open_count + 1;
            if link.oldest == 0
                link.oldest = tag;
            end
        end

        function release(link, tag)
            link.entries{tag} = [];
            link.bytes(tag) = 0;
            link.due_s(tag) = Inf;
            link.open_count = link.open_count - 1;
            if link.open_count == 0
                link.oldest = 0;
            else
                while isempty(link.entries{link.oldest})
                    link.oldest = mod(link.oldest, 255) + 1;
                end
            end
            if tag == link.query
                link.query = 0;
            end
        end

        function found = receive(link)
            try
                bytes = link.port.read();
            catch problem
                link.lose(problem);
            end
            found = ~isempty(bytes);
            if found
                messages = link.decoder.feed(bytes);
                for k = 1:numel(messages)
                    message = messages{k};
                    link.take(message(1), message(2), message(3:end));
                end
            end
        end

        function take(link, type, tag, body)
            layout = tallymark.layouts(type);
            if isempty(layout) || strcmp(layout.kind, 'request')
                return  % a type of a later version
            end
            values = tallymark.get_fields(layout.fields, body);
            if isempty(values)
                return
            elseif strcmp(layout.kind, 'notice')
                link.take_notice(layout.name, values);
            elseif tag > 0 && ~isempty(link.entries{tag})
                if ischar(link.entries{tag})
                    link.take_answer(tag, layout, values);
                else
                    link.take_outcome(tag, layout.name, values);
                end
            end  % an answer without a request came too late
        end

        function take_outcome(link, tag, name, values)
            % The answer to a marker request.
            marker = link.entries{tag};
            switch name
                case 'done'
                    marker.done(values.time, NaN, 0);
                case 'done_noted'
                    lasted = values.lasted;
                    if lasted == 2^32 - 1
                        lasted = NaN;
                    end
                    marker.done(values.time, lasted, values.delay);
                case 'refused'
                    link.fail(marker, 'refused', ...
                        tallymark.reasons(values.reason, values.detail));
                otherwise
                    return
            end
            link.release(tag);
        end

        function take_answer(link, tag, layout, values)
            % The answer to a request that is no marker.
            name = link.entries{tag};
            expected = tallymark.layouts('request', name);
            refused = strcmp(layout.name, 'refused');
            if layout.type ~= expected.answer && ~refused
                return
            end
            if strcmp(name, 'identify')
                if refused
                    link.version_refused = values.detail;
                else
                    link.identity = values;
                end
            elseif link.asked > 0
                link.take_fate(values, refused);
            else
                link.answer = values;
            end
            link.release(tag);
        end

        function take_notice(link, name, values)
            switch name
                case 'started'
                    link.started = true;
                    left = link.give_up('The box started again and forgot it.');
                    link.forgotten = [link.forgotten, left];
                case 'sequence_ended'
                    link.sequence_ended = values;
                case 'hold_ended'
                    warning('tallymark:holdended', ['The box took the lines to idle, because ' ...
                        'nothing came for as long as its hold limit: code %d was on the lines ' ...
                        'until box time %.0f us. Set it again if it should be there.'], ...
                        values.code, double(values.time));
            end
        end

        function look_after(link, tag)
            % Does what is next for a request whose answer is overdue.
            if isempty(link.entries{tag})
                return
            end
            if ~ischar(link.entries{tag})
                link.bytes(tag) = 0;
                link.ask_fate(tag);
            else
                if tag == link.query && link.asked > 0
                    link.take_fate([], true);
                end
                link.release(tag);
            end
        end

        function ask_fate(link, tag)
            % Asks what became of a marker, when no other question is on its way.
            next = mod(link.tag, 255) + 1;
            if link.query ~= 0 || sum(link.bytes) + 7 > link.identity.window
                return  % later: it stays overdue
            elseif mod(next - tag, 255) > link.identity.history - 2
                link.unconfirm(tag, 'Too many requests followed for the box to remember it.');
                return
            end
            if link.asked ~= tag
                link.tries = 0;
            end
            link.asked = tag;
            link.due_s(tag) = Inf;
            link.query = link.send('fate', 5, tag);
        end

        function take_fate(link, fate, failed)
            % The answer to the question about the marker of link.asked; failed: there was none.
            tag = link.asked;
            marker = link.entries{tag};
            if isempty(marker) || ischar(marker) || ~isinf(link.due_s(tag))
                return  % its own answer came first
            end
            if failed
                link.tries = link.tries + 1;
                link.due_s(tag) = 0;
                if link.tries == link.FATE_TRIES
                    link.unconfirm(tag, 'Neither its answer nor one about its fate came.');
                end
            elseif fate.outcome == 1
                marker.done(fate.time, NaN, NaN);
                link.release(tag);
            elseif fate.outcome == 2
                link.due_s(tag) = toc(link.born) + link.OVERDUE_S;  % waiting for its gap
            elseif fate.outcome == 3
                link.fail(marker, 'refused', tallymark.reasons(fate.reason, NaN));
                link.release(tag);
            else
                link.unconfirm(tag, 'The box has no record of it: its request was lost.');
            end
        end

        function unconfirm(link, tag, why)
            link.fail(link.entries{tag}, 'unconfirmed', ...
                [why, ' It was not sent again. Look for it in the recording; check the cable.']);
            link.release(tag);
        end

        function fail(link, marker, outcome, why)
            % Keeps a marker that is not done, and says so once.
            if strcmp(outcome, 'refused')
                text = sprintf('It was refused and did not go out. %s', why);
            else
                text = sprintf('It is unconfirmed: it is not known whether it went out. %s', why);
            end
            marker.fail(outcome, text);
            link.failed{end+1} = marker;
            warning(['tallymark:', outcome], 'About %s. %s', marker.describe(), text);
        end

        function left = give_up(link, why)
            % No request has an answer to wait for any more. left: the markers among them, in
            % words; empty if there was none.
            left = {};
            order = mod(link.oldest - 1 + (0:254), 255) + 1;
            for tag = order(~cellfun('isempty', link.entries(order)))
                marker = link.entries{tag};
                if ~ischar(marker)
                    marker.fail('unconfirmed', ['It is not known whether it went out. ', why, ...
                        ' Look for it in the recording.']);
                    link.failed{end+1} = marker;
                    left{end+1} = marker.describe(); %#ok<AGROW>
                end
                link.release(tag);
            end
            if isempty(left)
                left = '';
            else
                left = strjoin(left, ', ');
            end
        end

        function begin_again(link)
            % The box has started: lines are idle, its memory of markers is empty.
            warning('tallymark:restarted', ['The box at %s started again: its lines went to ' ...
                'idle, a held code or a sequence ended, and box time began at 0. Unconfirmed, ' ...
                'which means that it is not known whether they went out: %s. Look for them in the ' ...
                'recording, and check the power and the cable of the box.'], ...
                link.port.where, or_none(link.forgotten));
            link.forgotten = '';
            link.identify();
        end

        function identify(link)
            % Asks who is there until the answer comes, and asks nothing else.
            link.identity = [];
            until_s = toc(link.born) + link.IDENTIFY_S;
            link.put(0);  % closes whatever noise went before
            while isempty(link.identity)
                link.started = false;
                link.send('identify', 1, [1, 0]);
                next_s = toc(link.born) + link.OVERDUE_S + link.QUIET_S;
                while toc(link.born) < next_s && isempty(link.identity) && ~link.started
                    if ~link.receive()
                        pause(0.0005);
                    end
                    link.check_version();
                end
                if toc(link.born) > until_s
                    link.no_box();
                end
            end
            link.give_up('');  % releases the questions before the one that was answered
        end

        function check_version(link)
            major = link.version_refused;
            if ~isempty(link.identity) && link.identity.major ~= 1
                major = link.identity.major;
            end
            if ~isnan(major)
                link.close();
                error('tallymark:version', ['The box at %s speaks version %d of the protocol, ' ...
                    'and this program version 1. No marker was sent. Update the older one.'], ...
                    link.port.where, major);
            end
        end

        function no_box(link)
            where = link.port.where;
            noise = link.decoder.frames + link.decoder.frames_broken > 0;
            link.close();
            if noise
                hint = 'Something answers there, but not as a box.';
            else
                hint = 'No valid message was received from there.';
            end
            error('tallymark:nobox', ['No box answered at %s within %d seconds. %s No marker ' ...
                'was sent. Is it the right port, and does the board have the firmware?'], ...
                where, link.IDENTIFY_S, hint);
        end

        function lose(link, problem)
            % The connection is gone, and with it every answer that had not come.
            link.is_open = false;
            link.port.close();
            left = link.give_up('The connection to the box was lost.');
            error('tallymark:connection', ['The connection to %s was lost (%s). Unconfirmed, which ' ...
                'means that it is not known whether they went out: %s. The box ends a pulse by ' ...
                'itself, but a held code stays and a sequence goes on. Look for these markers ' ...
                'in the recording, check cable and power, and open the box again.'], ...
                link.port.where, problem.message, or_none(left));
        end
    end
end

function words = or_none(words)
if isempty(words)
    words = 'none';
end
end
