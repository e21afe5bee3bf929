classdef SessionCheck < handle
%SESSIONCHECK  The question that the link asks by itself where something is missing: which session
%   is in force? It tells whether the box has started again, unheard, or another program has it.
    properties (SetAccess = private)
        checks = 0          % how often the box is still to be asked
    end
    properties (Access = private)
        window
        outcomes
        session = 0         % of this program; 0 before it has begun
        missing = 0         % notices that did not arrive and were not told yet
    end
    methods
        function background = SessionCheck(window, outcomes)
            background.window = window;
            background.outcomes = outcomes;
        end

        function forget(background)
            %FORGET  The box is identified anew, whose notices begin anew.
            background.checks = 0;
            background.missing = 0;
        end

        function begin(background, session)
            %BEGIN  The number of the session that is about to begin.
            background.session = session;
        end

        function miss(background, count)
            %MISS  Notices did not arrive. Told when it is known that the box has not started again.
            background.missing = background.missing + count;
            background.check_session();
        end

        function check_session(background)
            %CHECK_SESSION  Something is missing: asks for the session as soon as there is room.
            background.checks = 2;
        end

        function ask(background)
            %ASK  Asks, if that is due and there is room.
            window = background.window;
            if background.checks > 0 && window.query == 0 && window.has_room(8, false)
                background.checks = background.checks - 1;
                window.send_question('identify', 1, [2, 0]);
            end
        end

        function has_started = compare(background, identity)
            %COMPARE  What the box says of itself while it is open. has_started: it has started again,
            %   unheard.
            background.checks = 0;
            has_started = false;
            if identity.session == background.session
                background.report_missing();
            elseif identity.session == 0
                background.missing = 0;
                has_started = true;
            else
                background.window.lose(struct('message', 'another program has taken the box'));
            end
        end

        function unanswered(background)
            %UNANSWERED  No answer came; tells what is missing if the box is not asked again.
            if background.checks == 0
                background.report_missing();
            end
        end
    end

    methods (Access = private)
        function report_missing(background)
            count = background.missing;
            background.missing = 0;
            if count > 0
                if ~isempty(background.outcomes.log)
                    background.outcomes.log.notices_lost(count);
                end
                warning('tallymark:noticeslost', ['%d messages that the box at %s sent by itself ' ...
                    'did not arrive: the end of a sequence or of a held code may not be ' ...
                    'reported. Markers of this program are not affected. Check the cable.'], ...
                    count, background.window.port.where);
            end
        end
    end
end
