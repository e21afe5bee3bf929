classdef RequestWindow < handle
%REQUESTWINDOW  The requests on their way to a box: their tags, the room that they take in it, and when
%   their answers are overdue (PROTOCOL.md, 3.1 to 3.5). A request leaves once it fits, and never twice.
    properties (SetAccess = private)
        port
        born                % TIC of the opening: all seconds count from it
        clock               % relation of box time to these seconds
        is_open = true
        tag = 0             % last tag used
        open_count = 0      % requests without an outcome
        oldest = 0          % oldest tag without an outcome; 0: there is none
        silent = 0          % tags since the newest request that was answered
        query = 0           % tag of the one question on its way; 0: there is none
        entries = cell(1, 255)   % by tag, while there is no outcome: the marker, or the name of
                                 % a request that is none; otherwise empty
        sent_s = zeros(1, 255)   % by tag: when it was handed to the port
        since = zeros(1, 255, 'uint64')  % by tag: box time that was known when it was sent
    end
    properties
        identity = []       % of the box, as in PROTOCOL.md 4.2; empty until it is known
        settings = []       % in force, as the box has told; empty: it did not tell
        marker_due_s = 0    % how long an answer may take that is delayed by the gap
        heard_s = 0         % when the last message came
        box_time = uint64(0) % the newest that is known
        bytes = zeros(1, 255)    % by tag: what it takes of the window
        due_s = Inf(1, 255)      % by tag: when its answer is overdue. Of a marker, 0: its answer
                                 % is missing, and its fate has to be asked for; Inf: it was asked
        waits = false(1, 255)    % by tag: a fate said that it waits for its gap
        tries = zeros(1, 255)    % by tag: how often its fate was asked for in vain
    end
    properties (Constant)
        OVERDUE_S = 0.5     % an answer is overdue after that (PROTOCOL.md, 3.3)
        SILENT_MOST = 100   % so many tags without an answer, and a new session has to begin
    end
    properties (Access = private)
        accepted
        outcomes
    end

    methods
        function window = RequestWindow(port, born, clock, accepted, outcomes)
            window.port = port;
            window.born = born;
            window.clock = clock;
            window.accepted = accepted;
            window.outcomes = outcomes;
            window.tag = mod(floor(now * 86400e3), 255);  % no answer to an earlier program fits
        end

        function begin(window)
            %BEGIN  The box was identified.
            window.tag = window.identity.newest_tag;
            window.silent = 0;
            window.box_time = uint64(0);
        end

        % Sending ---------------------------------------------------------------------------

        function check_open(window)
            %CHECK_OPEN  Raises an error if the link is closed.
            if ~window.is_open
                error('tallymark:closed', ['The connection to %s is closed. Nothing was sent. ' ...
                    'Open the box again.'], window.port.where);
            end
        end

        function room = has_room(window, bytes, is_marker)
            %HAS_ROOM  Whether a request of that many bytes may be sent now. Questions may use all
            %   that the window and the history allow; markers leave some tags for the questions
            %   about them.
            room = window.is_open && window.silent < window.SILENT_MOST;
            if room && window.open_count > 0
                span = window.identity.history - 2;
                if is_marker
                    span = max(0, floor(0.75 * window.identity.history) - 2);
                end
                room = sum(window.bytes) + bytes <= window.identity.window ...
                    && mod(mod(window.tag, 255) + 1 - window.oldest, 255) <= span;
            end
        end

        function can = can_ask_fate(window, tag)
            %CAN_ASK_FATE  Whether the box still knows the fate of a tag when it is asked now.
            next = mod(window.tag, 255) + 1;
            can = mod(next - tag, 255) <= window.identity.history - 2 ...
                && window.silent < window.SILENT_MOST;
        end

        function tag = send_question(window, name, type, body)
            %SEND_QUESTION  Sends a request that is no marker; there must be none on its way.
            window.query = window.send(name, type, body);
            tag = window.query;
        end

        function tag = send(window, name, type, body)
            %SEND  The same, while the box is being identified, when some may be on their way.
            tag = mod(window.tag, 255) + 1;
            wire = tallymark.frame(type, tag, body);
            sent_s = toc(window.born);
            window.enter(tag, name, numel(wire), sent_s, sent_s + window.OVERDUE_S);
            window.put(wire);
        end

        function put(window, wire)
            %PUT  Hands bytes to the port.
            try
                window.port.write(wire);
            catch problem
                window.lose(problem);
            end
        end

        function enter(window, tag, entry, bytes, sent_s, due_s)
            %ENTER  A request is on its way, or about to be.
            window.tag = tag;
            window.entries{tag} = entry;
            window.bytes(tag) = bytes;
            window.due_s(tag) = due_s;
            window.sent_s(tag) = sent_s;
            window.since(tag) = window.box_time;
            window.silent = window.silent + 1;
            count = window.open_count;
            window.open_count = count + 1;
            if count == 0
                window.oldest = tag;
            end
        end

        % What becomes of requests ----------------------------------------------------------

        function answered(window, tag)
            %ANSWERED  The answer to a request came: the box knows its tag.
            window.silent = min(window.silent, mod(window.tag - tag, 255));
        end

        function release(window, tag)
            %RELEASE  A request has its outcome.
            window.entries{tag} = [];
            window.bytes(tag) = 0;
            window.due_s(tag) = Inf;
            window.waits(tag) = false;
            window.tries(tag) = 0;
            count = window.open_count - 1;
            window.open_count = count;
            if count == 0
                window.oldest = 0;
            else
                oldest = window.oldest;
                while isempty(window.entries{oldest})
                    oldest = mod(oldest, 255) + 1;
                end
                window.oldest = oldest;
            end
            if tag == window.query
                window.query = 0;
            end
        end

        function count = ahead_count(window)
            %AHEAD_COUNT  Markers ahead that the box holds, or was given and has not answered yet.
            count = window.accepted.count;
            for k = find(~cellfun('isempty', window.entries))
                entry = window.entries{k};
                count = count + (~ischar(entry) && ~isnan(entry.at_us));
            end
        end

        function left = give_up(window, why)
            %GIVE_UP  No request has an answer to wait for any more. left: the markers among them,
            %   in words; empty if there was none.
            left = {};
            for waiting = window.accepted.take_all()
                left{end+1} = window.outcomes.leave(waiting{1}, why); %#ok<AGROW>
            end
            order = mod(window.oldest - 1 + (0:254), 255) + 1;
            for tag = order(~cellfun('isempty', window.entries(order)))
                marker = window.entries{tag};
                if ~ischar(marker)
                    left{end+1} = window.outcomes.leave(marker, why); %#ok<AGROW>
                end
                window.release(tag);
            end
            if isempty(left)
                left = '';
            else
                left = strjoin(left, ', ');
            end
        end

        % The end ---------------------------------------------------------------------------

        function close(window)
            %CLOSE  Gives the port back; open markers become unconfirmed. May be called twice.
            if window.is_open
                window.is_open = false;
                window.port.close();
                left = window.give_up('The box was closed before its answer came.');
                if ~isempty(left)
                    warning('tallymark:unconfirmed', ['Closed %s before these answers came: ' ...
                        '%s. It is not known whether these markers went out. Look for them in the ' ...
                        'recording.'], window.port.where, left);
                end
            end
        end

        function lose(window, problem)
            %LOSE  The connection is gone, and with it every answer that had not come. Raises an
            %   error that says so.
            window.is_open = false;
            window.port.close();
            left = window.give_up('The connection to the box was lost.');
            if ~isempty(window.outcomes.log)
                window.outcomes.log.note(sprintf('The connection to the box was lost (%s).', ...
                    problem.message));
            end
            error('tallymark:connection', ['The connection to %s was lost (%s). Unconfirmed, which ' ...
                'means that it is not known whether they went out: %s. The box ends a pulse by ' ...
                'itself, but a held code stays and a sequence goes on. Look for these markers ' ...
                'in the recording, check cable and power, and open the box again.'], ...
                window.port.where, problem.message, tallymark.list_or_none(left));
        end
    end
end
